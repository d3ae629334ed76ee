package trial

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

func TestReadLabels(t *testing.T) {
	got, err := ReadLabels(
		strings.NewReader("\ufeffring, person ,condition\r\nbona-fide/ada-01,ada,night\r\n\"attack/print/ada,03\",, " +
			"by day " +
			"\r\nattack/print/x,,\r\n"))
	want := []Label{{"bona-fide/ada-01", "ada", "night", 2}, {"attack/print/ada,03", "", "by day", 3},
		{"attack/print/x", "", "", 4}}
	if err != nil || !slices.Equal(got, want) {
		t.Fatalf("%+v, %v", got, err)
	}
	const head = "ring,person,condition\n"
	for text, says := range map[string]string{
		"":              "its first line must be",
		"ring,person\n": `its first line is "ring,person", and must be "ring,person,condition"`,
		head + "bona-fide/a,ada\n": "line 2: it has 2 fields, and must have 3, such as " +
			"attack/print/ada-03,ada,night",
		head + "bona-fide/a,,\nada-01,ada,\n":  `line 3: "ada-01" is no ring; one is written bona-fide/ada-01`,
		head + "attack/ada-01,ada,\n":          "line 2:",
		head + "attack/../ada-01,ada,\n":       "line 2:",
		head + "bona-fide/a,,\nbona-fide/a,,x": `line 3: the ring "bona-fide/a" is in line 2 already`,
		head + "bona-fide/a,\a,\n":             "line 2: it has what can't be printed",
		head + "bona-fide/a,\"ada,\n":          "line 2",
	} {
		if _, err := ReadLabels(strings.NewReader(text)); !errors.Is(err, ErrLabels) ||
			!strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, which does not say %q", text, err, says)
		}
	}
}

func TestLabelRings(t *testing.T) {
	rings := []Ring{{Name: "a"}, {Species: "print", Name: "a"}, {Species: "print", Name: "b"}}
	unlisted, err := LabelRings(rings, []Label{{"attack/print/a", "ada", "night", 2}, {"bona-fide/a", "ada", "", 3}})
	if err != nil || unlisted != 1 || rings[0].Person != "ada" || rings[1].Condition != "night" || rings[2].Person != "" {
		t.Errorf("%d unlisted, %v, %+v", unlisted, err, rings)
	}
	if _, err := LabelRings(rings, []Label{{"attack/screen/a", "", "", 7}}); !errors.Is(err, ErrLabels) ||
		!strings.Contains(err.Error(), "line 7") {
		t.Error(err)
	}
}

func FuzzReadLabels(f *testing.F) {
	f.Add("ring,person,condition\nbona-fide/ada-01,ada,night\n")
	f.Add("ring,person,condition\nattack/print/ada,\"a \"\"b\"\"\",\n")
	f.Fuzz(func(t *testing.T, text string) {
		labels, err := ReadLabels(strings.NewReader(text))
		if err != nil && !errors.Is(err, ErrLabels) {
			t.Error(err)
		}
		for _, l := range labels {
			if strings.Contains(l.Ring, "..") && strings.Contains(l.Ring, "/../") || l.line < 2 {
				t.Errorf("%+v", l)
			}
		}
	})
}
