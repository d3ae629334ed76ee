package folder

import (
	"context"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
	"lintel/pipeline/intake"
)

// bring brings in what is in the folder.
func (h *household) bring(clocks ...Clock) Report {
	h.t.Helper()
	r, err := Import{Bell: "gate", Dir: h.dir, Gap: Gap, Clocks: clocks}.Run(h.t.Context(), h.archive, h)
	h.must(err)
	return r
}

// Old stills come in at their times, and what is too old, of a quiet time, from the
// future or no still does not.
func TestImport(t *testing.T) {
	h := newHousehold(t)
	rules := house.DefaultRules() // strangers 72 hours, known persons 30 days
	rules.Zone = "UTC"
	rules.Quiet = []house.Quiet{{Days: []time.Weekday{began.Weekday()}, From: 60, Until: 120}}
	h.must(h.archive.SetRules(t.Context(), rules))
	at := func(name string, when time.Time, number int) {
		h.now = when
		h.write(name, picture(t, number))
	}
	yesterday := began.Add(-24 * time.Hour)
	at("a.jpg", yesterday, 1)
	at("b.jpg", yesterday.Add(3*time.Second), 2)
	at("sub/c.jpg", yesterday.Add(time.Minute), 3)
	at("week.jpg", began.AddDate(0, 0, -7), 4)
	at("past.jpg", began.AddDate(0, 0, -31), 5)
	at("quiet.jpg", time.Date(2027, 2, 3, 1, 30, 0, 0, time.UTC), 6)
	at("future.jpg", began.Add(time.Hour), 7)
	at("same.jpg", yesterday, 1)
	h.write("phone.heic", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic, and so on"))
	h.now = began
	r := h.bring(ByEXIF, ByName, ByFile)
	if r.Files != 9 || r.Kept != 4 || r.Rings != 3 || r.Known != 1 || r.Past != 1 || r.Quiet != 1 ||
		r.Refused[Future] != 1 || r.Refused[HEIC] != 1 {
		t.Errorf("%+v", r)
	}
	for i, v := range h.wantFrames(1, 2, 1) {
		want := []time.Time{began.AddDate(0, 0, -7), yesterday, yesterday.Add(time.Minute)}[i]
		if !v.ReceivedAt.Equal(want) || !v.ImportedAt.Equal(began) || !v.CountedFrom.Equal(want) {
			t.Errorf("visit %d is of %s, kept from %s, imported at %s; want %s", i, v.ReceivedAt, v.CountedFrom,
				v.ImportedAt, want)
		}
	}
	bells, err := h.archive.Bells(t.Context())
	h.must(err)
	if !bells[0].HeardAt.IsZero() {
		t.Errorf("the bell was heard at %s, by old stills", bells[0].HeardAt)
	}
	// Again, nothing is brought in twice, and what is past is counted again.
	if r := h.bring(ByFile); r.Kept != 0 || r.Known != 5 || r.Past != 1 || r.Quiet != 1 {
		t.Errorf("again: %+v", r)
	}
	h.wantFrames(1, 2, 1)
}

// Stills that are not examined yet stay until it is known whose rule they go by.
func TestImportedBeforeExamined(t *testing.T) {
	h := newHousehold(t)
	h.now = began.AddDate(0, 0, -7)
	h.write("week.jpg", picture(t, 1))
	h.now = began
	h.bring(ByFile)
	sweep := func() {
		_, err := h.archive.Sweep(t.Context(), nil)
		h.must(err)
	}
	sweep()
	h.wantFrames(1)
	v := h.visits()[0]
	h.must(h.archive.Record(t.Context(), v.Stills[0].ID, house.Done, nil)) // nobody is on it
	sweep()
	h.wantFrames()
}

// What rings now is examined before what was brought in.
func TestImportedExaminedLast(t *testing.T) {
	h := newHousehold(t)
	h.now = began.Add(-time.Hour)
	h.write("old.jpg", picture(t, 1))
	h.now = began
	h.bring(ByFile)
	_, err := h.Intake.Receive(t.Context(), intake.Delivery{Bell: "gate", Ring: "now", Body: picture(t, 2)})
	h.must(err)
	pending, err := h.archive.PendingStills(t.Context(), 10)
	h.must(err)
	if len(pending) != 2 || !pending[0].ReceivedAt.Equal(began) {
		t.Errorf("pending: %+v, want that of now first", pending)
	}
}

// An import that breaks off goes on where it was, in the same rings.
func TestImportResumed(t *testing.T) {
	h := newHousehold(t)
	h.now = began.Add(-time.Hour)
	for i := range 6 {
		h.write(string(rune('a'+i))+".jpg", picture(t, i))
		h.now = h.now.Add(time.Second)
	}
	h.now = began
	ctx, cancel := context.WithCancel(t.Context())
	step := func(done, of int) {
		if done == 3 {
			cancel()
		}
	}
	r, err := Import{Bell: "gate", Dir: h.dir, Gap: Gap, Clocks: []Clock{ByFile}, Step: step}.Run(ctx, h.archive, h)
	if !errors.Is(err, context.Canceled) || r.Kept != 3 || r.Rings != 1 {
		t.Fatalf("%+v, %v, want 3 of a ring kept and to break off", r, err)
	}
	if r := h.bring(ByFile); r.Kept != 3 || r.Known != 3 {
		t.Errorf("%+v, want 3 known and 3 kept", r)
	}
	h.wantFrames(6)
	_, err = Import{Bell: "nobody", Dir: h.dir}.Run(t.Context(), h.archive, h)
	if !errors.Is(err, intake.ErrUnknownBell) {
		t.Errorf("for a bell that is none: %v", err)
	}
}

// The camera's own time counts before the file's: with its offset, or else by the
// household's clock.
//
// Outside: Pillow writes the EXIF blocks (tags 0x9003, 0x9011 and 0x9291 of CIPA DC-008).
func TestImportEXIF(t *testing.T) {
	h := newHousehold(t)
	rules := house.DefaultRules()
	rules.Zone = "America/Bogota" // five hours behind UTC, all year
	h.must(h.archive.SetRules(t.Context(), rules))
	var written []string
	python.Ask(t, "PIL", `
import json, sys
from PIL import Image
ask = json.load(sys.stdin)
out = []
for i, (name, tags) in enumerate(ask["files"]):
    m = Image.new("RGB", (96, 64), (10 * i, 90, 200))
    exif = Image.Exif()
    exif[0x8769] = {int(tag): text for tag, text in tags.items()}
    m.save(ask["dir"] + "/" + name, exif=exif)
    out.append(name)
json.dump(out, sys.stdout)`, map[string]any{"dir": h.dir, "files": []any{
		[]any{"a-offset.jpg", map[string]string{"36867": "2027:02:02 10:00:00", "36881": "+02:00"}},
		[]any{"b-zone.jpg", map[string]string{"36867": "2027:02:02 04:00:00"}},
		[]any{"c-fraction.png", map[string]string{"36867": "2027:02:02 10:00:00", "36881": "Z", "37521": "25"}},
		[]any{"d-broken.jpg", map[string]string{"36867": "0000:00:00 00:00:00"}},
	}}, &written)
	file := began.Add(-2 * time.Hour)
	for _, name := range written {
		h.must(chtimes(filepath.Join(h.dir, name), file))
	}
	if r := h.bring(ByEXIF, ByFile); r.Kept != 4 {
		t.Fatalf("%+v, want 4 kept", r)
	}
	utc := func(hour int) time.Time { return time.Date(2027, 2, 2, hour, 0, 0, 0, time.UTC) }
	// "Z" is no offset of CIPA DC-008, so the zone counts: 10:00 in Bogota is 15:00 UTC.
	want := []time.Time{utc(8), utc(9), utc(15).Add(250 * time.Millisecond), file}
	for i, v := range h.wantFrames(1, 1, 1, 1) {
		if !v.ReceivedAt.Equal(want[i]) {
			t.Errorf("visit %d is of %s, want %s", i, v.ReceivedAt, want[i])
		}
	}
}
