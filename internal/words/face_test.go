package words

import (
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

func TestAlike(t *testing.T) {
	const few = "Fewer than 1 stranger in 10\u202f000"
	for _, test := range []struct {
		fpir float64
		want string
	}{
		{0, few}, // measured as none
		{1e-9, few}, {1e-4, few},
		{1.25e-4, "About 1 stranger in 8\u202f000"},
		{1.0 / 9999, "About 1 stranger in 9\u202f900"},
		{1e-3, "About 1 stranger in 1\u202f000"},
		{1.0 / 1234, "About 1 stranger in 1\u202f200"},
		{1.0 / 999, "About 1 stranger in 990"},
		{1.0 / 129, "About 1 stranger in 120"},
		{1e-2, "About 1 stranger in 100"},
		{1.0 / 9.6, "About 1 stranger in 10"},
		{1.0 / 7, "About 1 stranger in 7"},
		{0.5, "About 1 stranger in 2"},
		{1, "Most strangers"},
	} {
		want := test.want + " would look this much like somebody here."
		if got := For("en").Alike(test.fpir); got != want {
			t.Errorf("%g: %q, want %q", test.fpir, got, want)
		}
	}
}

func TestProbably(t *testing.T) {
	for probability, want := range map[float64]string{
		0.9995: "Almost certainly Ada Quill", 0.999: "Almost certainly Ada Quill", 0.995: "Very probably Ada Quill",
		0.95: "Probably Ada Quill", 0.5: "Possibly Ada Quill", 0.49: "Probably not Ada Quill", 0: "Probably not Ada Quill",
	} {
		if got := For("en").Probably("Ada Quill", probability); got != want {
			t.Errorf("%v: %q, want %q", probability, got, want)
		}
	}
}

func TestGain(t *testing.T) {
	for _, c := range []struct {
		others int
		band   string
		fpir   float64
		want   string
	}{
		{0, "none", 1, "the first picture of Ben Orrin"},
		{1, "strong", 1e-5, "hardly surer"},
		{1, "fair", 5e-4, "a fair match. About 1 stranger in 2\u202f000 would look"},
		{2, "weak", 5e-3, "a weak match. About 1 stranger in 200 would look"},
		{2, "none", 5e-2, "much surer, if it shows Ben Orrin"},
	} {
		if got := For("en").Gain("Ben Orrin", c.others, c.band, c.fpir); !strings.Contains(got, c.want) {
			t.Errorf("%+v: %q", c, got)
		}
	}
}

// Signs are said with what was measured.
func TestSigns(t *testing.T) {
	w := For("en")
	for _, c := range []struct {
		finding house.Finding
		want    string
	}{
		{house.Finding{Sign: liveness.Network, Score: 1, Values: []float64{2}}, "with 88 % of their vote"},
		{house.Finding{Sign: liveness.Edges, Score: 1, Values: []float64{1, 1, 1, 0, 9, 1}},
			"framed by 3 straight edges. Something like a hand"},
		{house.Finding{Sign: liveness.Edges, Score: 1, Values: []float64{1, 0, 0, 0, 9, 0}},
			"framed by 1 straight edge that"},
		{house.Finding{Sign: liveness.Repeat, Score: 1, Values: []float64{3, .125, 30}},
			"came 30 hours before. Of 64 marks 3 differ. The faces are 0.12 apart."},
		{house.Finding{Sign: liveness.Detail, Missing: liveness.Dark}, "It is too dark to tell."},
	} {
		if got := w.Reasons(liveness.Reasons(c.finding)); !strings.Contains(got, c.want) {
			t.Errorf("%+v: %q", c.finding, got)
		}
	}
	if got := w.Sign("grid"); got != "Another sign: grid" {
		t.Errorf("a sign of another version is called %q", got)
	}
	l := house.Liveness{Level: house.Doubtful, CantTell: []string{liveness.NoEyes, liveness.OneFrame}}
	const want = "Doubtful: may be a picture. Can’t tell more. The eyes could not be made out. There is only one still"
	if got := w.Reasons(liveness.Warning(l)); !strings.HasPrefix(got, want) {
		t.Errorf("%q", got)
	}
}
