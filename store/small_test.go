package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
	"lintel/store/seal"
)

// withSmall returns an archive with a visit whose first still has small pictures.
func withSmall(t *testing.T) (a *Archive, s house.Still, packed []byte) {
	t.Helper()
	a, _ = newArchive(t)
	packed = bytes.Repeat([]byte("a small picture of somebody "), 99)
	s, _ = firstStill(t, a, keep(t, a, stillOf("r1", 0)))
	record(t, a, s.Visit, faceOf(0.5, nil))
	must(t, a.KeepSmall(t.Context(), s, packed))
	return a, s, packed
}

func TestSmallIsSealed(t *testing.T) {
	a, s, packed := withSmall(t)
	if got, err := a.ReadSmall(t.Context(), s); err != nil || !bytes.Equal(got, packed) {
		t.Errorf("%d bytes of %d, %v", len(got), len(packed), err)
	}
	if bytes.Contains(rawBytes(t, a), packed[:20]) {
		t.Error("the folder shows a small picture")
	}
	// With its place and what is in its slot, and another master key.
	sealed, err := os.ReadFile(a.smallPath(s.File))
	must(t, err)
	slot, err := a.slotOf(t.Context(), s)
	must(t, err)
	wrapped, err := a.keys.Get(keyfile.Number(slot))
	must(t, err)
	other, err := seal.NewSealer(seal.NewKey())
	must(t, err)
	_, err = other.Unwrap(wrapped, slotPlace(slot)...)
	wantError(t, err, seal.ErrOpen)
	// And with the right one: as the still, or of another frame.
	_, err = a.openFile(sealed, slot, stillPlace(s.Visit, s.Frame)...)
	wantError(t, err, seal.ErrOpen)
	_, err = a.openFile(sealed, slot, smallPlace(s.Visit, s.Frame+1)...)
	wantError(t, err, seal.ErrOpen)
}

// Small pictures that another still's were put in the place of, or that a loss of
// power cut, are none: they can be made again.
func TestSmallDoesNotOpen(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, a *Archive, path string){
		"another's": func(t *testing.T, a *Archive, path string) {
			other, _ := firstStill(t, a, keep(t, a, stillOf("r2", 0)))
			must(t, a.KeepSmall(t.Context(), other, []byte("of somebody else")))
			must(t, os.Rename(a.smallPath(other.File), path))
		},
		"cut":     func(t *testing.T, _ *Archive, path string) { must(t, os.Truncate(path, 40)) },
		"empty":   func(t *testing.T, _ *Archive, path string) { must(t, os.Truncate(path, 0)) },
		"changed": func(t *testing.T, _ *Archive, path string) { flipBit(t, path, 99) },
		"missing": func(t *testing.T, _ *Archive, path string) { must(t, os.Remove(path)) },
	} {
		t.Run(name, func(t *testing.T) {
			a, s, packed := withSmall(t)
			spoil(t, a, a.smallPath(s.File))
			_, err := a.ReadSmall(t.Context(), s)
			wantError(t, err, house.ErrNotFound)
			must(t, a.KeepSmall(t.Context(), s, packed))
			if got, err := a.ReadSmall(t.Context(), s); err != nil || !bytes.Equal(got, packed) {
				t.Errorf("made again: %d bytes, %v", len(got), err)
			}
		})
	}
}

// Whatever takes a still's file away takes its small pictures with it, and none come
// back beside it: whoever made them may have begun before.
func TestSmallGoesWithItsStill(t *testing.T) {
	for name, end := range map[string]func(t *testing.T, a *Archive, s house.Still) error{
		"erased": func(t *testing.T, a *Archive, s house.Still) error { return a.EraseVisit(t.Context(), s.Visit) },
		"masked": func(t *testing.T, a *Archive, s house.Still) error {
			err := a.SetMasks(t.Context(), "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 0.5}}})
			_, maskErr := a.MaskEarlier(t.Context(), "gate",
				func([]byte, []house.Polygon) ([]byte, error) { return []byte("black"), nil })
			return errors.Join(err, maskErr)
		},
		"made smaller": func(t *testing.T, a *Archive, s house.Still) error {
			return a.shrinkVisit(t.Context(), s.Visit, halves)
		},
		"lost": func(t *testing.T, a *Archive, s house.Still) error {
			err := os.Remove(a.stillPath(s.File))
			_, verifyErr := a.Verify(t.Context(), true, nil)
			return errors.Join(err, verifyErr)
		},
	} {
		t.Run(name, func(t *testing.T) {
			a, s, packed := withSmall(t)
			must(t, end(t, a, s))
			wantNoSmall(t, a, s)
			wantError(t, a.KeepSmall(t.Context(), s, packed), house.ErrNotFound)
			// As if the file had gone between the look at its row and this.
			must(t, a.writeSmall(t.Context(), s.File, packed))
			wantNoSmall(t, a, s)
		})
	}
}

func wantNoSmall(t *testing.T, a *Archive, s house.Still) {
	t.Helper()
	_, err := a.ReadSmall(t.Context(), s)
	wantError(t, err, house.ErrNotFound)
	for _, file := range filesIn(t, a.dir, ".") {
		if filepath.Ext(file) == smallSuffix {
			t.Errorf("%s is there", file)
		}
	}
}

// TestSmallHalfWay leaves what a crash can leave while small pictures are brought to
// their place, with the still there or erased meanwhile, to the next start and to Verify.
func TestSmallHalfWay(t *testing.T) {
	for name, leaves := range map[string]struct{ waiting, inPlace, named bool }{
		"written":            {true, false, true},
		"linked":             {true, true, true},
		"written and erased": {true, false, false},
		"linked and erased":  {true, true, false},
		"strayed":            {false, true, false}, // which no crash leaves, and Verify mends
	} {
		for _, by := range []string{"start", "verify"} {
			if by == "start" && !leaves.waiting {
				continue
			}
			t.Run(name+" and a "+by, func(t *testing.T) {
				a, s, packed := withSmall(t)
				if !leaves.named {
					must(t, a.EraseVisit(t.Context(), s.Visit))
				}
				must(t, removed(a.smallPath(s.File)))
				if leaves.inPlace {
					must(t, os.WriteFile(a.smallPath(s.File), packed, 0o600))
				}
				if leaves.waiting {
					must(t, os.WriteFile(a.incomingPath(s.File)+smallSuffix, packed, 0o600))
				}
				if by == "start" {
					must(t, a.Lock())
					_, err := a.Recover(t.Context())
					must(t, err)
				} else if _, err := a.Verify(t.Context(), true, nil); err != nil {
					t.Fatal(err)
				}
				if got := exists(a.smallPath(s.File)); got != (leaves.inPlace && leaves.named) {
					t.Errorf("there: %v", got)
				}
				checkSound(t, a)
			})
		}
	}
}

// A proof that everything erased is gone looks for small pictures too.
func TestErasedSmallIsProven(t *testing.T) {
	a, s, packed := withSmall(t)
	must(t, a.EraseVisit(t.Context(), s.Visit))
	if _, err := a.VerifyErased(t.Context(), s.Visit); err != nil {
		t.Error(err)
	}
	must(t, os.WriteFile(a.smallPath(s.File), packed, 0o600))
	_, err := a.VerifyErased(t.Context(), s.Visit)
	wantError(t, err, ErrTraces)
	must(t, os.Remove(a.smallPath(s.File)))
}

// Files with small pictures that no row names are strays, as stills are.
func TestStraysOfSmall(t *testing.T) {
	a, s, _ := withSmall(t)
	strayAt("stills/AA/AAAAAAAAAAAAAAAAAAAAAAAAAA.small")(t, a, s.Visit)
	if n, err := a.SetStraysAside(t.Context()); n != 0 || err != nil {
		t.Errorf("%d set aside, %v", n, err)
	}
	if left := filesIn(t, a.dir, "stills/AA"); len(left) > 0 {
		t.Errorf("left %q", left)
	}
	if _, err := a.ReadSmall(t.Context(), s); err != nil {
		t.Error(err)
	}
}
