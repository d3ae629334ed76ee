package export

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/liveness"
	"lintel/pipeline/redact"
	"lintel/store"
)

// TestNoSignIsToldToNobody has a face without a sign of a picture in an export:
// the code for programs, and no words.
func TestNoSignIsToldToNobody(t *testing.T) {
	l := livenessOf(words.For("en"), house.Liveness{Level: house.NoSign, Probability: .02, Frames: 3,
		CantTell: []string{liveness.OneFrame}})
	if l.Level != house.NoSign || l.Says != "" || !slices.Equal(l.CantTell, []string{liveness.OneFrame}) {
		t.Errorf("%+v", l)
	}
}

// TestExport looks at one export from all sides.
func TestExport(t *testing.T) {
	h := furnish(t)
	files, sum := h.export()
	t.Run("data.json", func(t *testing.T) { checkData(t, files, sum) })
	t.Run("meanings", func(t *testing.T) { checkMeanings(t, files) })
	t.Run("names", func(t *testing.T) { checkNames(t, h, files) })
	t.Run("page", func(t *testing.T) { checkPage(t, files) })
	t.Run("other programs", func(t *testing.T) { checkWithOthers(t, h) })
	t.Run("encrypted", func(t *testing.T) { checkEncrypted(t, h) })
}

func checkData(t *testing.T, files map[string][]byte, sum Summary) {
	want := Summary{Visits: 3, Stills: 4, Blurred: 4, Withheld: 2, Unreadable: 3}
	if sum != want {
		t.Errorf("%+v, want %+v", sum, want)
	}
	w := readJSON(t, files)
	if w.Summary != sum || w.Person.Name != adasName || len(w.Consents) != 1 || len(w.References) != 1 ||
		w.Zone != "Europe/Oslo" {
		t.Errorf("%+v", w.document)
	}
	if d := face(adasFace, "").Descriptor; !slices.Equal(w.References[0].Descriptor, d[:]) {
		t.Error("a reference's numbers are not those that are held")
	}
	if r := w.References[0]; r.Origin != string(house.FromCamera) || r.File != "references/1.jpg" ||
		!bytes.Equal(files[r.File], still(t, red)) {
		t.Errorf("the picture of a reference is %q, from %q", r.File, r.Origin)
	}

	var got []string
	for _, v := range w.Visits {
		for _, s := range v.Stills {
			got = append(got, fmt.Sprintf("%s %d %s %d+%d", v.ReceivedAt.Format("15:04"), s.Frame, s.Missing, len(s.Faces),
				s.OtherFaces))
			if _, ok := files[s.File]; ok != (s.Missing == "") {
				t.Errorf("frame %d has the file %q, and is missing for the reason %q", s.Frame, s.File, s.Missing)
			}
			for _, f := range s.Faces {
				if partly := s.Frame == 1 && s.Missing == ""; f.PartlyBlurred != partly {
					t.Errorf("visit %s, frame %d: partly blurred %v", v.ID, s.Frame, f.PartlyBlurred)
				}
				if d := face(adasFace, "").Descriptor; !slices.Equal(f.Descriptor, d[:]) || f.Distance != 0.3125 ||
					f.X != adasFace.Min.X {
					t.Errorf("a face is %+v", f)
				}
				if l := f.Liveness; l == nil || l.Level != house.Doubtful || l.Probability != .5 ||
					!strings.HasPrefix(l.Says, "Doubtful: may be a picture. Can’t tell more") ||
					len(l.Findings) != 2 || !slices.Equal(l.Findings[0].Region, [][2]float64{{60, 60}, {120, 60}, {90, 120}}) ||
					l.Findings[1].Missing != liveness.Dark {
					t.Errorf("judged %+v", l)
				}
			}
		}
	}
	wantStills := []string{
		"16:33 0 broken 1+0", "16:33 1 lost 1+0", "16:33 2 no-picture 1+0",
		"16:32 0  1+1", "16:32 1  1+2", "16:32 2  0+1", "16:32 3 not-examinable 0+0", "16:32 4 not-examined 0+0",
		"16:31 0  1+0",
	}
	if !slices.Equal(got, wantStills) {
		t.Errorf("stills\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(wantStills, "\n"))
	}

	checkTrail(t, w)
}

// checkTrail checks what is said of who looked.
func checkTrail(t *testing.T, w whole) {
	t.Helper()
	var trail []string
	for _, e := range w.Trail {
		about := "person"
		if e.Visit != "" {
			about = "visit"
		}
		if e.Codes {
			about = "codes"
		}
		trail = append(trail, e.Actor+" "+e.Action+" "+about)
	}
	wantTrail := []string{"itself added person", "itself consented person", "itself enrolled person", "itself held visit",
		"resident looked visit", "tablet looked visit", "itself looked visit", "itself changed codes",
		"command exported person"}
	if !slices.Equal(trail, wantTrail) {
		t.Errorf("trail %q, want %q", trail, wantTrail)
	}
}

// Faces that were not looked at can't be blurred, so a still that has some is kept
// back, and the export says why.
func TestCrowdIsKeptBack(t *testing.T) {
	h := newHouse(t)
	own := face(adasFace, h.ada.ID)
	own.Unlooked = 1
	h.rings("ring", 0, still(t, red), house.Done, own)
	files, sum := h.export()
	w := readJSON(t, files)
	if s := w.Visits[0].Stills[0]; s.Missing != crowded || s.File != "" || sum.Withheld != 1 || sum.Stills != 0 {
		t.Errorf("%+v, %+v", s, sum)
	}
	for name := range files {
		if strings.HasPrefix(name, "stills/") {
			t.Errorf("%s is given out", name)
		}
	}
}

// Of two archives that differ in nothing but what others look like, the stills
// come out the same, to the byte.
func TestOtherFacesMakeNoDifference(t *testing.T) {
	var exports []map[string][]byte
	kept := make([][]byte, 2)
	for i, c := range []color.Color{red, color.RGBA{10, 230, 20, 255}} {
		h := newHouse(t)
		kept[i] = still(t, c, farFace, nearFace)
		h.rings("ring", 0, kept[i], house.Done, face(adasFace, h.ada.ID), face(nearFace, ""), face(farFace, h.bo.ID))
		h.rings("ring", 1, still(t, c, farFace), house.Done, face(farFace, ""))
		files, _ := h.export()
		exports = append(exports, files)
	}
	if bytes.Equal(kept[0], kept[1]) {
		t.Fatal("the stills are the same before: nothing is tested")
	}
	n := 0
	for name, data := range exports[0] {
		if strings.HasPrefix(name, "stills/") {
			n++
			if !bytes.Equal(data, exports[1][name]) {
				t.Errorf("%s: a face makes a difference", name)
			}
		}
	}
	if n != 2 {
		t.Errorf("%d stills", n)
	}
}

// The person's own face stays: alone to the byte, and beside others, as far
// as JPEG of quality 95 goes. Its noise is under a grey level in the mean
// (pipeline/redact/MEASUREMENTS.md: 0.6); 3 leaves room for this drawing.
func TestOwnFaceStays(t *testing.T) {
	h := newHouse(t)
	alone, crowd := still(t, red), still(t, red, farFace)
	h.rings("ring", 0, alone, house.Done, face(adasFace, h.ada.ID))
	h.rings("ring", 1, crowd, house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	files, _ := h.export()
	stills := readJSON(t, files).Visits[0].Stills
	if !bytes.Equal(files[stills[0].File], alone) {
		t.Error("a still with nobody else on it is not as it is kept")
	}
	if d := difference(t, crowd, files[stills[1].File], adasFace); d > 3 {
		t.Errorf("the person's own face is %.1f grey levels from what is kept", d)
	}
	if d := difference(t, crowd, files[stills[1].File], farFace); d < 20 {
		t.Errorf("the other's face is %.1f grey levels from what is kept", d)
	}
}

// difference is the root mean square between two pictures in a part of them,
// in grey levels.
func difference(t *testing.T, a, b []byte, part image.Rectangle) float64 {
	t.Helper()
	var luma [2]*image.YCbCr
	for i, data := range [][]byte{a, b} {
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		luma[i] = m.(*image.YCbCr)
	}
	sum := 0.0
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			d := float64(luma[0].YCbCrAt(x, y).Y) - float64(luma[1].YCbCrAt(x, y).Y)
			sum += d * d
		}
	}
	return math.Sqrt(sum / float64(part.Dx()*part.Dy()))
}

// What the rules took is said, and so is what they will take.
func TestStillsThatWent(t *testing.T) {
	h := newHouse(t)
	rules, err := h.Rules(t.Context())
	h.must(err)
	days := func(n int) house.Period { return house.Period{Days: n} }
	rules.Keep[house.Known] = house.Rule{Smaller: days(2), Stills: days(5), Findings: days(300)}
	h.must(h.SetRules(t.Context(), rules))
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	files, _ := h.export()
	v := readJSON(t, files).Visits[0]
	if v.Stage != "whole" || v.Fate.SmallerAt.IsZero() || v.Fate.StillsGoneAt.IsZero() {
		t.Errorf("whole: %+v", v)
	}

	for _, step := range []struct {
		days  int
		stage string
	}{{3, "smaller"}, {3, "findings"}} {
		h.now = h.now.AddDate(0, 0, step.days)
		_, err = h.Sweep(t.Context(), halve)
		h.must(err)
		files, sum := h.export()
		v := readJSON(t, files).Visits[0]
		s := v.Stills[0]
		gone := step.stage == "findings"
		if v.Stage != step.stage || gone != (s.Missing == removed) || gone != (s.Faces[0].Descriptor == nil) ||
			gone != (sum.Gone == 1) {
			t.Errorf("%s: %+v, %+v", step.stage, sum, v)
		}
		if gone && !bytes.Contains(files["index.html"], []byte("This still is gone")) {
			t.Error("the page does not say that the still is gone")
		}
	}
}

func halve(jpeg []byte) ([]byte, int, int, error) { return redact.Shrink(jpeg, 160) }

func TestNothingHeld(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, ""))
	files, sum := h.export()
	if sum != (Summary{}) {
		t.Errorf("%+v", sum)
	}
	w := readJSON(t, files)
	if w.Visits == nil || w.Consents == nil || w.References == nil || len(w.Trail) != 2 { // added, exported
		t.Errorf("%+v", w)
	}
	for _, want := range []string{"None is kept.", "None is recorded.", "you are not enrolled"} {
		if !bytes.Contains(files["index.html"], []byte(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// More visits than one page of the book has, and the same bytes twice.
func TestManyVisits(t *testing.T) {
	h := newHouse(t)
	picture := still(t, red)
	for i := range visitsRead + 1 {
		h.now = h.now.Add(time.Minute)
		h.rings(fmt.Sprint("ring-", i), 0, picture, house.Done, face(adasFace, h.ada.ID))
	}
	e := h.begin(h)
	var first, second bytes.Buffer
	sum, err := e.Write(t.Context(), &first)
	h.must(err)
	_, err = e.Write(t.Context(), &second)
	h.must(err)
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the same export twice is not the same")
	}
	if sum.Visits != visitsRead+1 || sum.Stills != sum.Visits {
		t.Errorf("%+v", sum)
	}
	visits := readJSON(t, unzip(t, first.Bytes())).Visits
	if len(visits) != sum.Visits || !slices.IsSortedFunc(visits, func(a, b visitRecord) int {
		return b.ReceivedAt.Compare(a.ReceivedAt)
	}) {
		t.Errorf("%d visits, newest first", len(visits))
	}
}

// deaf is an archive that takes no entry of the trail.
type deaf struct{ Archive }

func (deaf) Note(context.Context, string, string) error { return house.ErrNoSpace }

func TestRefusals(t *testing.T) {
	h := newHouse(t)
	before, err := h.Trail(t.Context(), 0, 100)
	h.must(err)
	if _, err := Begin(t.Context(), h, "Nobody Known", Options{Now: h.now}); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
	if _, err := Begin(t.Context(), deaf{h}, h.ada.ID, Options{Now: h.now}); !errors.Is(err, house.ErrNoSpace) {
		t.Errorf("without an entry in the trail: %v, want ErrNoSpace", err)
	}
	after, err := h.Trail(t.Context(), 0, 100)
	h.must(err)
	if len(after) != len(before) {
		t.Errorf("%d entries more", len(after)-len(before))
	}
	e := h.begin(h)
	after, err = h.Trail(t.Context(), 0, 1)
	h.must(err)
	if after[0].Action != "exported" || after[0].Subject != "person "+h.ada.ID || after[0].Actor != house.ByCommand {
		t.Errorf("before anything is given out, the trail says %+v", after[0])
	}
	if e.FileName() != "lintel-export-2031-05-04.zip" || e.MediaType() != "application/zip" {
		t.Errorf("%s is %s", e.FileName(), e.MediaType())
	}
}

func TestNamesTakenOut(t *testing.T) {
	o := othersThan("Ada Quill", map[string]string{
		"person 1": "Ada Quill", "resident 1": "ada quill", "person 2": "Bo", "resident 2": "Bo Lark", "tablet 1": "Hall",
		"resident 3": "Élodie Å.",
	}, words.For("en"))
	for _, c := range []struct{ in, want string }{
		{"", ""},
		{"Ada Quill rang in the hall", "Ada Quill rang in the hall"},
		{"bo lark, BO LARK; Bo", "[somebody else], [somebody else]; [somebody else]"},
		{"the bottle of Bobo", "the bottle of Bobo"},
		{"éLODIE å. (Élodie Å.)", "[somebody else] ([somebody else])"},
		{"Bo Larkspur", "[somebody else] Larkspur"},
		{"\xff\xfeBo", "\xff\xfe[somebody else]"},
	} {
		if got := o.without(c.in); got != c.want {
			t.Errorf("%q becomes %q, want %q", c.in, got, c.want)
		}
	}
}

// A picture of another size than its row says would be blurred elsewhere than
// where faces are. It is not given out.
func TestPictureOfAnotherSize(t *testing.T) {
	h := newHouse(t)
	small, _, _, err := halve(still(t, red, farFace))
	h.must(err)
	h.rings("ring", 0, small, house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	files, sum := h.export()
	if s := readJSON(t, files).Visits[0].Stills[0]; s.Missing != noPicture || s.File != "" || sum.Unreadable != 1 {
		t.Errorf("%+v, %+v", sum, s)
	}
}

// A hold that has ended is none, though its row is there until a sweep.
func TestHoldThatEnded(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.must(h.PlaceHold(t.Context(), visit, "a pot broke", h.now.Add(time.Hour)))
	for _, held := range []bool{true, false} {
		files, _ := h.export()
		if v := readJSON(t, files).Visits[0]; (v.Hold != nil) != held ||
			bytes.Contains(files["index.html"], []byte("a pot broke")) != held {
			t.Errorf("the hold is %+v, want one %v", v.Hold, held)
		}
		h.now = h.now.Add(time.Hour)
	}
}

// A visit whose time is by a clock that may have been wrong says so.
func TestDoubtIsTold(t *testing.T) {
	h := newHouse(t)
	h.rings("before", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.must(h.WatchClock(t.Context(), store.Timekeeping{Elapsed: func() time.Duration { return 0 },
		Served: func() bool { return false }, NotBefore: h.now.AddDate(1, 0, 0)}))
	h.rings("meanwhile", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	files, _ := h.export()
	doubted := 0
	for _, v := range readJSON(t, files).Visits {
		if v.ClockDoubted {
			doubted++
		}
	}
	if told := bytes.Count(files["index.html"], []byte("may have been wrong then")); doubted != 1 || told != 1 {
		t.Errorf("%d doubted, told of %d, want 1", doubted, told)
	}
}
