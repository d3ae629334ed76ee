package folder

import (
	"errors"
	"testing"
	"time"
)

func TestNames(t *testing.T) {
	zone := time.FixedZone("", 3600)
	at := time.Date(2027, 2, 3, 16, 5, 6, 0, zone)
	for _, c := range []struct {
		pattern, name string
		want          Parts
		ok            bool
	}{
		{"", "a.jpg", Parts{Frame: -1}, true},
		{"", "deep/er/a.PNG", Parts{Frame: -1}, true},
		{"", "a.txt", Parts{Frame: -1}, false},
		{"", ".a.jpg", Parts{Frame: -1}, false},
		{"", "a.jpg.part", Parts{Frame: -1}, false},
		{`(?P<ring>\w+)_(?P<frame>\d+)\.jpg$`, "door12_3.jpg", Parts{Ring: "door12", Frame: 3}, true},
		{`(?P<time>\d+)`, "20270203160506.jpg", Parts{Frame: -1, At: at}, true},
		{`(?P<time>.+)\.jpg`, "2027-02-03/16.05.06,250.jpg", Parts{Frame: -1, At: at.Add(250 * time.Millisecond)}, true},
		{`(?P<time>\d+)`, "1801667106.jpg", Parts{Frame: -1, At: at}, true},
		{`(?P<time>\d+)`, "1801667106000.jpg", Parts{Frame: -1, At: at}, true},
		{`(?P<time>\d+)`, "20271303160506.jpg", Parts{Frame: -1}, true}, // no month 13
		{`(?P<time>\d+)`, "12.jpg", Parts{Frame: -1}, true},
		{`(?P<frame>\d+)`, "99999999999999999999.jpg", Parts{Frame: -1}, true},
		{`^front`, "back.jpg", Parts{Frame: -1}, false},
	} {
		n, err := ParseNames(c.pattern)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := n.Read(c.name, zone)
		if ok != c.ok || got.Ring != c.want.Ring || got.Frame != c.want.Frame || !got.At.Equal(c.want.At) {
			t.Errorf("%q on %s: %+v, %t, want %+v, %t", c.pattern, c.name, got, ok, c.want, c.ok)
		}
	}
	for _, wrong := range []string{"(", "(?P<person>a)", "(?P<ring>a)(?P<ring>b)"} {
		if _, err := ParseNames(wrong); !errors.Is(err, ErrPattern) {
			t.Errorf("%q: %v, want ErrPattern", wrong, err)
		}
	}
}

// No pattern and no name makes it fail, or tells a time that no still can have.
func FuzzNames(f *testing.F) {
	f.Add(`(?P<ring>.*)_(?P<time>\d+)_(?P<frame>\d+)`, "a_20270203160506_1.jpg")
	f.Add(`(?P<time>.*)`, "9999999999999.jpg")
	f.Fuzz(func(t *testing.T, pattern, name string) {
		n, err := ParseNames(pattern)
		if err != nil {
			return
		}
		p, _ := n.Read(name, time.UTC)
		if !p.At.IsZero() && (p.At.Year() < 1970 || p.At.Year() > 9999) || p.Frame < -1 {
			t.Errorf("%q on %q: %+v", pattern, name, p)
		}
	})
}
