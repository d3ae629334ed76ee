package totp

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/pquerna/otp"

	"lintel/internal/python"
)

// example is the secret of the RFCs' test values: these 20 characters of ASCII.
var example = Secret([]byte("12345678901234567890"))

// Outside: RFC 4226 appendix D, the truncated values in decimal, of which
// codes are the last digits, and RFC 6238 appendix B for SHA-1, eight digits.
func TestCodesOfTheRFCs(t *testing.T) {
	type vector struct {
		step   int64
		digits otp.Digits
		want   string
	}
	var vectors []vector
	for count, truncated := range []string{
		"1284755224", "1094287082", "137359152", "1726969429", "1640338314",
		"868254676", "1918287922", "82162583", "673399871", "645520489",
	} {
		vectors = append(vectors, vector{int64(count), 6, truncated[len(truncated)-6:]})
	}
	for _, v := range []struct {
		seconds int64
		code    string
	}{
		{59, "94287082"}, {1111111109, "07081804"}, {1111111111, "14050471"},
		{1234567890, "89005924"}, {2000000000, "69279037"}, {20000000000, "65353130"},
	} {
		vectors = append(vectors, vector{v.seconds / 30, 8, v.code}, vector{v.seconds / 30, 6, v.code[2:]})
		step, err := Check(example, v.code[2:], time.Unix(v.seconds, 0), 0)
		if err != nil || step != v.seconds/30 {
			t.Errorf("at %d s: step %d, %v, want %d", v.seconds, step, err, v.seconds/30)
		}
	}
	for _, v := range vectors {
		if got, err := example.code(v.step, v.digits); err != nil || got != v.want {
			t.Errorf("step %d: %s, %v, want %s", v.step, got, err, v.want)
		}
	}
}

func TestCheck(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 7, 0, time.UTC)
	middle := now.Unix() / 30
	code := func(step int64) string {
		c, err := example.code(step, Digits)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	for _, c := range []struct {
		name string
		code string
		last int64
		step int64
		err  error
	}{
		{"now", code(middle), 0, middle, nil},
		{"a step early", code(middle + 1), 0, middle + 1, nil},
		{"a step late", code(middle - 1), 0, middle - 1, nil},
		{"two steps early", code(middle + 2), 0, 0, ErrWrong},
		{"two steps late", code(middle - 2), 0, 0, ErrWrong},
		{"after an older one", code(middle), middle - 1, middle, nil},
		{"again", code(middle), middle, 0, ErrReused},
		{"after a later one", code(middle - 1), middle, 0, ErrReused},
		{"after one of a clock that was ahead", code(middle + 1), middle + 1000, 0, ErrReused},
		{"wrong after a later one", code(middle + 7), middle, 0, ErrWrong},
		{"empty", "", 0, 0, ErrFormat},
		{"five digits", code(middle)[1:], 0, 0, ErrFormat},
		{"seven digits", code(middle) + "0", 0, 0, ErrFormat},
		{"a blank around it", code(middle)[:5] + " ", 0, 0, ErrFormat},
		{"letters", "12345a", 0, 0, ErrFormat},
		{"a sign", "-12345", 0, 0, ErrFormat},
		{"digits of another script", "١٢٣", 0, 0, ErrFormat}, // six bytes
		{"not UTF-8", "12345\xff", 0, 0, ErrFormat},
	} {
		if step, err := Check(example, c.code, now, c.last); step != c.step || !errors.Is(err, c.err) {
			t.Errorf("%s: %d, %v, want %d, %v", c.name, step, err, c.step, c.err)
		}
	}
	if _, err := Check(New(), code(middle), now, 0); !errors.Is(err, ErrWrong) {
		t.Errorf("somebody else's code: %v, want %v", err, ErrWrong)
	}
}

// A clock that is up to 30 s off is no matter, one that is 60 s off is.
func TestDrift(t *testing.T) {
	server := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for ahead := -120; ahead <= 120; ahead++ {
		phone := server.Add(time.Duration(ahead) * time.Second)
		code, _ := example.code(phone.Unix()/30, Digits)
		_, err := Check(example, code, server, 0)
		if ahead >= -30 && ahead <= 30 && err != nil {
			t.Errorf("%d s ahead: %v", ahead, err)
		}
		if (ahead <= -60 || ahead >= 60) && !errors.Is(err, ErrWrong) {
			t.Errorf("%d s ahead: %v, want %v", ahead, err, ErrWrong)
		}
	}
}

// Two steps that are next to each other may have the same code: each counts
// once. These were searched for.
func TestSameCodeOfTwoSteps(t *testing.T) {
	const step = 910738
	code, _ := example.code(step-1, Digits)
	if same, _ := example.code(step, Digits); same != code {
		t.Fatalf("the codes are %s and %s", code, same)
	}
	now := time.Unix(step*30, 0)
	last := int64(0)
	for _, want := range []int64{step - 1, step} {
		got, err := Check(example, code, now, last)
		if err != nil || got != want {
			t.Fatalf("after step %d: %d, %v, want %d", last, got, err, want)
		}
		last = got
	}
	if _, err := Check(example, code, now, last); !errors.Is(err, ErrReused) {
		t.Fatalf("the third time: %v, want %v", err, ErrReused)
	}
}

func TestParse(t *testing.T) {
	s := New()
	if s == New() || s == (Secret{}) {
		t.Fatal("a new secret is one that was there before")
	}
	grouped := strings.ToLower(s.Text()[:16] + " " + s.Text()[16:])
	for _, text := range []string{s.Text(), grouped} {
		if got, err := Parse(text); err != nil || got != s {
			t.Errorf("Parse(%s): %v", text, err)
		}
	}
	// RFC 4648's alphabet, worked by hand for the first five bytes: 12345.
	if want := "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"; example.Text() != want {
		t.Errorf("Text() = %s, want %s", example.Text(), want)
	}
	for _, text := range []string{"", s.Text()[:31], s.Text() + "AAAAAAAA", s.Text()[:31] + "1", s.Text()[:31] + "=",
		s.Text()[:24]} {
		if _, err := Parse(text); !errors.Is(err, ErrSecret) {
			t.Errorf("Parse(%q): %v, want %v", text, err, ErrSecret)
		}
	}
	for _, shown := range []string{fmt.Sprint(s), fmt.Sprintf("%+v %#v %s %v", s, s, s, struct{ S Secret }{s})} {
		if strings.Contains(shown, s.Text()) || strings.Contains(shown, fmt.Sprint([Size]byte(s))) ||
			!strings.Contains(shown, "(secret)") {
			t.Errorf("printed, a secret is %s", shown)
		}
	}
}

func TestURI(t *testing.T) {
	got, err := example.URI("Juna Marél & co")
	want := "otpauth://totp/Lintel:Juna%20Mar%C3%A9l%20&%20co?" +
		"algorithm=SHA1&digits=6&issuer=Lintel&period=30&secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
	if err != nil || got != want {
		t.Errorf("URI = %s, %v, want %s", got, err, want)
	}
	for _, n := range []int{1, 99, 100} {
		if _, err := example.URI(strings.Repeat("a", n)); err != nil {
			t.Errorf("a name of %d bytes: %v", n, err)
		}
	}
	for _, name := range []string{"", "a:b", strings.Repeat("a", 101)} {
		if _, err := example.URI(name); !errors.Is(err, ErrName) {
			t.Errorf("URI(%q): %v, want %v", name, err, ErrName)
		}
		if _, _, err := example.QR(name); !errors.Is(err, ErrName) {
			t.Errorf("QR(%q): %v, want %v", name, err, ErrName)
		}
	}
}

// Outside: ZBar, which reads QR codes, with the code on a dark page, four pixels
// to a module.
func TestQRIsRead(t *testing.T) {
	type question struct {
		Luma  []byte // row by row
		Width int
	}
	var questions []question
	var want []string
	for _, name := range []string{"Bo", "Juna Marél", "名前 " + strings.Repeat("é", 40)} {
		s := New()
		uri, err := s.URI(name)
		if err != nil {
			t.Fatal(err)
		}
		path, side, err := s.QR(name)
		if err != nil {
			t.Fatal(err)
		}
		page := drawn(t, path, side, 4)
		questions = append(questions, question{page.Pix, page.Stride})
		want = append(want, uri)
	}
	var got []string
	python.Ask(t, "pyzbar.pyzbar", `
import base64, json, sys
from pyzbar.pyzbar import decode, ZBarSymbol
answers = []
for q in json.load(sys.stdin):
    luma = base64.b64decode(q["Luma"])
    found = decode((luma, q["Width"], len(luma) // q["Width"]), symbols=[ZBarSymbol.QRCODE])
    answers.append(found[0].data.decode() if len(found) == 1 else "%d codes" % len(found))
json.dump(answers, sys.stdout)`, questions, &got)
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("read as %q, want %q", got[i], want[i])
		}
	}
}

// drawn draws a path of rectangles on a white square with a dark page around it.
func drawn(t *testing.T, path string, side, scale int) *image.Gray {
	t.Helper()
	const page = 60
	picture := image.NewGray(image.Rect(0, 0, side*scale+2*page, side*scale+2*page))
	part := regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1H(\d+)z`)
	if left := part.ReplaceAllString(path, ""); left != "" {
		t.Fatalf("the path has %q", left)
	}
	fill := func(x, y, w, h int, luma uint8) {
		at := image.Rect(x, y, x+w, y+h)
		area := image.Rectangle{at.Min.Mul(scale), at.Max.Mul(scale)}.Add(image.Pt(page, page))
		draw.Draw(picture, area, image.NewUniform(color.Gray{Y: luma}), image.Point{}, draw.Src)
	}
	fill(0, 0, side, side, 255)
	for _, m := range part.FindAllStringSubmatch(path, -1) {
		var x, y, w, back int
		for i, to := range []*int{&x, &y, &w, &back} {
			*to, _ = strconv.Atoi(m[i+1])
		}
		if back != x || x < 4 || y < 4 || x+w > side-4 || y+1 > side-4 { // four are white all around (ISO/IEC 18004)
			t.Errorf("%s is drawn on a square of %d", m[0], side)
		}
		fill(x, y, w, 1, 0)
	}
	return picture
}

// FuzzCheck checks that only codes of three steps are taken, and none twice.
func FuzzCheck(f *testing.F) {
	f.Add("287082", int64(59), int64(0))
	f.Add("755224", int64(0), int64(-5))
	f.Add("", int64(-1), int64(1))
	f.Fuzz(func(t *testing.T, code string, seconds, last int64) {
		now := time.Unix(seconds, 0)
		step, err := Check(example, code, now, last)
		if err != nil {
			if step != 0 {
				t.Errorf("step %d with the error %v", step, err)
			}
			return
		}
		if right,
			_ := example.code(step, Digits); right != code || step <= last || max(step-seconds/30, seconds/30-step) > 1 {
			t.Errorf("%s was taken at %d s for step %d after %d", code, seconds, step, last)
		}
		if _, err := Check(example, code, now, step); err == nil {
			// Only if the next step has the same code.
			if again, _ := example.code(step+1, Digits); again != code {
				if again, _ := example.code(step+2, Digits); again != code {
					t.Errorf("%s was taken twice", code)
				}
			}
		}
	})
}
