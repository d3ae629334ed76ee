package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// luminance is the relative luminance of a colour (#rrggbb), from 0 to 1, by the
// definition in WCAG 2.2.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	var rgb [3]uint8
	if _, err := fmt.Sscanf(colour, "#%02x%02x%02x", &rgb[0], &rgb[1], &rgb[2]); err != nil {
		t.Fatalf("the colour %q: %v", colour, err)
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		part := float64(rgb[i]) / 255
		if part <= 0.04045 {
			part /= 12.92
		} else {
			part = math.Pow((part+0.055)/1.055, 2.4)
		}
		sum += weight * part
	}
	return sum
}

// contrast is the contrast ratio of two colours, from 1 to 21, by WCAG 2.2.
func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrast works out ratios that are known. Black on white is 21 by WCAG 2.2
// itself; #777777 on white is 4.48 and #767676 4.54, as W3C's pages on success
// criterion 1.4.3 have it (from memory).
func TestContrast(t *testing.T) {
	for _, test := range []struct {
		a, b string
		want float64
	}{
		{"#000000", "#ffffff", 21}, {"#777777", "#ffffff", 4.48}, {"#767676", "#ffffff", 4.54}, {"#123456", "#123456", 1},
	} {
		if got := contrast(t, test.a, test.b); math.Abs(got-test.want) > 0.005 {
			t.Errorf("%s on %s: %.3f, want %.2f", test.a, test.b, got, test.want)
		}
	}
}

// looks reads the colours of each theme from the style sheet, which has each by day and
// by night, and those that are the same by both.
func looks(t *testing.T) (night, day map[string]string) {
	t.Helper()
	sheet, err := assetFiles.ReadFile("assets/style.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, rule := range []string{"\tcolor-scheme: light dark;", `[data-theme="day"] { color-scheme: light; }`,
		`[data-theme="night"] { color-scheme: dark; }`} {
		if !strings.Contains(string(sheet), rule) {
			t.Errorf("nothing chooses between day and night: no %q", rule)
		}
	}
	night, day = map[string]string{}, map[string]string{}
	colours := regexp.MustCompile(`--([a-z-]+): (?:(#[0-9a-f]{6})|light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\));`)
	for _, m := range colours.FindAllStringSubmatch(string(sheet), -1) {
		day[m[1]], night[m[1]] = m[2]+m[3], m[2]+m[4]
	}
	return night, day
}

// TestThemes has all that is read stand out from what it is read on, in each theme.
// WCAG 2.2, 1.4.3 (AA): 4.5 to 1 for text; 1.4.11: 3 to 1 for the rim of a control
// and for what else has to be seen to understand it.
func TestThemes(t *testing.T) {
	night, day := looks(t)
	if len(day) < 12 || day["ground"] == night["ground"] {
		t.Errorf("day and night look alike:\n%v\n%v", day, night)
	}
	for name, colours := range map[string]map[string]string{"night": night, "day": day} {
		check := func(of, on string, least float64) {
			if got := contrast(t, colours[of], colours[on]); got < least {
				t.Errorf("%s: %s on %s is %.2f, under %.1f", name, of, on, got, least)
			}
		}
		for _, on := range []string{"ground", "panel"} {
			for _, text := range []string{"ink", "soft", "accent", "strong", "fair", "weak", "alert"} {
				check(text, on, 4.5)
			}
			check("edge", on, 3)
		}
		for _, text := range []string{"ink", "soft"} { // where a picture comes or was
			check(text, "line", 4.5)
		}
		check("on-accent", "accent", 4.5)
	}
	if got := contrast(t, night["on-display"], night["display"]); got < 4.5 {
		t.Errorf("a bell's display: %.2f", got)
	}
}

// TestTheme has a browser choose its colours, signed in or not, and keep them.
func TestTheme(t *testing.T) {
	h := newHouse(t)
	h.get("/sign-in").is(200).says(`data-theme="auto"`)
	h.post("/theme", url.Values{"theme": {"mauve"}}).is(http.StatusUnprocessableEntity)
	for back, want := range map[string]string{
		"/visits?person=x": "/visits?person=x", "": "/", "//elsewhere.example/": "/", "https://elsewhere.example/": "/",
		`/\elsewhere.example`: "/", "/\t/elsewhere.example": "/", "visits": "/", "/%5Celsewhere.example": "/",
	} {
		a := h.post("/theme", url.Values{"theme": {"day"}, "back": {back}}).is(http.StatusSeeOther)
		if got := a.Header.Get("Location"); got != want {
			t.Errorf("back to %q leads to %q, want %q", back, got, want)
		}
		chosen := a.Cookies()[0]
		h.get("/sign-in", header("Cookie", chosen.Name+"="+chosen.Value)).is(200).says(`<html lang="en" data-theme="day">`)
	}
	h.get("/sign-in", header("Cookie", `lintel_theme="><script>`)).is(200).says(`data-theme="auto"`)
}
