package export

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"io"
	"testing"

	"lintel/internal/house"
)

// meddling is an archive in which something happens just before a still is read.
type meddling struct {
	Archive
	before func()
}

func (m *meddling) ReadStill(ctx context.Context, visit string, frame int) ([]byte, error) {
	m.before()
	return m.Archive.ReadStill(ctx, visit, frame)
}

func once(f func()) func() {
	done := false
	return func() {
		if !done {
			done = true
			f()
		}
	}
}

// A still that is replaced by a smaller one while it is exported is blurred
// where the faces are on the smaller one.
func TestStillChangesMeanwhile(t *testing.T) {
	h := newHouse(t)
	rules, err := h.Rules(t.Context())
	h.must(err)
	rules.Keep[house.Known] = house.Rule{Smaller: house.Period{Days: 1}, Stills: house.Period{Days: 30},
		Findings: house.Period{Days: 30}}
	h.must(h.SetRules(t.Context(), rules))
	h.rings("ring", 0, still(t, red, farFace), house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	h.now = h.now.AddDate(0, 0, 2)
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, once(func() {
		swept, err := h.Sweep(t.Context(), halve)
		if err != nil || swept.Smaller != 1 {
			t.Fatalf("%+v, %v", swept, err)
		}
	})}).Write(t.Context(), &b)
	if err != nil || sum.Stills != 1 {
		t.Fatalf("%+v, %v", sum, err)
	}
	raced := unzip(t, b.Bytes())
	after, _ := h.export()
	s := readJSON(t, raced).Visits[0].Stills[0]
	if s.Width != 160 || !bytes.Equal(raced[s.File], after[s.File]) {
		t.Errorf("%d pixels wide, and not as it is afterwards", s.Width)
	}
}

// One that changes without end is listed.
func TestStillChangesAllTheWhile(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	parcel := false
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, func() {
		parcel = !parcel
		h.must(h.SetParcel(t.Context(), visit, parcel))
	}}).Write(t.Context(), &b)
	if err != nil || sum.Unreadable != 1 {
		t.Errorf("%+v, %v", sum, err)
	}
	if s := readJSON(t, unzip(t, b.Bytes())).Visits[0].Stills[0]; s.Missing != changing || s.File != "" {
		t.Errorf("%+v", s)
	}
}

// A visit that is erased meanwhile has no still any more.
func TestVisitGoesMeanwhile(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, once(func() { h.must(h.EraseVisit(t.Context(), visit)) })}).Write(t.Context(), &b)
	if err != nil || sum.Gone != 1 || sum.Stills != 0 {
		t.Errorf("%+v, %v", sum, err)
	}
}

func TestPersonIsErasedMeanwhile(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	_, err := h.begin(&meddling{h, once(func() {
		_, err := h.ErasePerson(t.Context(), h.ada.ID, true)
		h.must(err)
	})}).Write(t.Context(), io.Discard)
	if !errors.Is(err, house.ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
}

func TestCancelled(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	ctx, cancel := context.WithCancel(t.Context())
	var b bytes.Buffer
	_, err := h.begin(&meddling{h, cancel}).Write(ctx, &b)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
	if _, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len())); err == nil {
		t.Error("what was written passes for a whole zip")
	}
}

// A full disk refuses the rest.
type fullDisk struct{ room int }

var errFull = errors.New("no space left")

func (d *fullDisk) Write(b []byte) (int, error) {
	if d.room -= len(b); d.room < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestDiskIsFull(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	e := h.begin(h)
	var b bytes.Buffer
	_, err := e.Write(t.Context(), &b)
	h.must(err)
	for room := 0; room < b.Len(); room += 1 + b.Len()/10 {
		if _, err := e.Write(t.Context(), &fullDisk{room}); !errors.Is(err, errFull) {
			t.Errorf("with room for %d of %d bytes: %v", room, b.Len(), err)
		}
	}
}
