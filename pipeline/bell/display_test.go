package bell

import (
	"strings"
	"testing"

	"lintel/internal/house"
)

// TestDraw wraps and centres. Spaces at lines' ends are shown as dots.
//
// Outside: common practice, no source.
func TestDraw(t *testing.T) {
	large, small := house.UsualDisplay, house.Display{Columns: 16, Rows: 2, ROM: house.ROMA02}
	for _, test := range []struct {
		name, text string
		on         house.Display
		want       string
		cut        bool
	}{
		{"one word", "Coming", large, "....................|.......Coming.......|....................|....................",
			false},
		{"an odd space is behind", "Coming!!!", small, "...Coming!!!....|................", false},
		{"between words", "Please leave it at the door. Thank you.", large,
			"....................|.Please leave it at.|the door. Thank you.|....................", false},
		{"just fits", "abcdefghij abcdefghi", large,
			"....................|abcdefghij abcdefghi|....................|....................", false},
		{"one too many", "abcdefghij abcdefghij", large,
			"....................|.....abcdefghij.....|.....abcdefghij.....|....................", false},
		{"its own lines", "Hello!\n\n12 °C", large,
			".......Hello!.......|....................|.......12 °C........|....................", false},
		{"a long word", "Donaudampfschifffahrtsgesellschaft", small, "Donaudampfschif-|ffahrtsgesellsc-", true},
		{"a long word after a short one", "Die Donaudampfschifffahrt", large,
			"........Die.........|Donaudampfschifffah-|.........rt.........|....................", false},
		{"exactly a line", "abcdefghijklmnop", small, "abcdefghijklmnop|................", false},
		{"one letter more", "abcdefghijklmnopq", small, "abcdefghijklmno-|.......pq.......", false},
		{"many spaces", "  a   b  ", small, "......a b.......|................", false},
		{"too many lines", "a\nb\nc", small, ".......a........|.......b........", true},
		{"nothing", "", small, "................|................", false},
		{"line ends alone", "\n\n\n", small, "................|................", false},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := Draw(test.on, test.text)
			var lines []string
			for _, line := range s.Lines {
				core := strings.Trim(line, " ")
				before := len(line) - len(strings.TrimLeft(line, " "))
				if core == "" {
					before = 0
				}
				after := test.on.Columns - before - len([]rune(core))
				lines = append(lines, strings.Repeat(".", before)+core+strings.Repeat(".", after))
			}
			if got := strings.Join(lines, "|"); got != test.want || s.Cut != test.cut {
				t.Errorf("got  %s, cut %t\nwant %s", got, s.Cut, test.want)
			}
		})
	}
}

func TestFill(t *testing.T) {
	warm, cold, nearly := 21.4, -7.6, -0.3
	for _, test := range []struct {
		text string
		v    Values
		want string
	}{
		{"{time}, {temperature} °C", Values{Time: "18:05", Celsius: &warm}, "18:05, 21 °C"},
		{"{temperature}", Values{Celsius: &cold}, "-8"},
		{"{temperature}", Values{Celsius: &nearly}, "0"},
		{"{temperature}", Values{}, "--"},
		{"Back in {minutes} min, {name}", Values{Minutes: 5, Name: "Ada"}, "Back in 5 min, Ada"},
		{"{name}", Values{Name: "{time}"}, "{time}"}, // nothing is filled in twice
		{"{mood}", Values{}, "{mood}"},
	} {
		if got := Fill(test.text, test.v); got != test.want {
			t.Errorf("%q: %q, want %q", test.text, got, test.want)
		}
	}
}
