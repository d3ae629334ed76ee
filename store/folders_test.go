package store

import (
	"errors"
	"testing"
	"time"

	"lintel/internal/house"
)

// A file is known by its bytes, under any name, and need not be read where its name,
// size and date are known; each bell has its own.
func TestFolderFiles(t *testing.T) {
	a, c, _ := newHousehold(t)
	ctx := t.Context()
	f := house.FolderFile{Bell: "gate", Name: "one.jpg", Size: 5, Modified: c.Now(), Content: [32]byte{1},
		Ring: "folder-1", Frame: 3, State: house.FileBegun}
	must(t, a.KeepFile(ctx, f))
	if known, err := a.KnowsFile(ctx, f); known || err != nil {
		t.Errorf("one that is begun is known, %v", err)
	}
	got, found, err := a.FileOf(ctx, "gate", f.Content)
	if !found || err != nil || got.Ring != f.Ring || got.Frame != 3 || got.State != house.FileBegun {
		t.Errorf("%+v, %t, %v", got, found, err)
	}
	f.State = house.FileTaken
	must(t, a.KeepFile(ctx, f))
	for _, test := range []struct {
		change func(f *house.FolderFile)
		known  bool
	}{
		{func(*house.FolderFile) {}, true},
		{func(f *house.FolderFile) { f.Name = "two.jpg" }, false},
		{func(f *house.FolderFile) { f.Size++ }, false},
		{func(f *house.FolderFile) { f.Modified = f.Modified.Add(time.Nanosecond) }, false},
		{func(f *house.FolderFile) { f.Bell = "garden" }, false},
	} {
		other := f
		test.change(&other)
		if known, err := a.KnowsFile(ctx, other); known != test.known || err != nil {
			t.Errorf("%+v: known %t, %v, want %t", other, known, err, test.known)
		}
	}
	if _, found, err := a.FileOf(ctx, "garden", f.Content); found || err != nil {
		t.Errorf("another bell's: %t, %v", found, err)
	}
	began := c.Now()
	for _, path := range []string{"/a", "/a"} {
		if at, err := a.FolderSince(ctx, "gate", path); err != nil || !at.Equal(began) {
			t.Errorf("watched since %s, %v, want %s", at, err, began)
		}
		c.Advance(time.Hour)
	}
}

// Only a reader has a key, and a new one makes all anew.
func TestSourceKey(t *testing.T) {
	a, _, _ := newHousehold(t)
	ctx := t.Context()
	person, err := a.AddPerson(ctx, "Odo Fenwick")
	must(t, err)
	phone, _, err := a.AddSource(ctx, house.Phone, person.ID, "Pocket telephone")
	must(t, err)
	reader, token, err := a.AddSource(ctx, house.Reader, "", "The mat")
	must(t, err)
	if key, err := a.SourceKey(ctx, reader); key != nil || err != nil {
		t.Errorf("a key of a reader that was given none, %v", err)
	}
	for _, id := range []string{phone, "nobody"} {
		if _, err := a.GiveKey(ctx, id); !errors.Is(err, house.ErrNotFound) {
			t.Errorf("a key for %s: %v", id, err)
		}
	}
	first, err := a.GiveKey(ctx, reader)
	must(t, err)
	second, err := a.GiveKey(ctx, reader)
	must(t, err)
	key, err := a.SourceKey(ctx, reader)
	if err != nil || string(key) != string(second) || string(key) == string(first) || len(key) != 32 {
		t.Errorf("%x, %v, want the second", key, err)
	}
	if s, err := a.SourceOf(ctx, token); err != nil || !s.Keyed {
		t.Errorf("%+v, %v", s, err)
	}
}
