package store

import (
	"slices"
	"testing"
	"time"

	"lintel/internal/house"
)

// visitWith keeps a visit of one still with a face of that hash.
func visitWith(t *testing.T, a *Archive, ring string, hash house.ImageHash) string {
	t.Helper()
	n := stillOf(ring, 0)
	n.ReceivedAt = a.now()
	visit := keep(t, a, n)
	v, err := a.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	f := faceOf(0.2, nil)
	f.ImageHash = hash
	must(t, a.Record(t.Context(), v.Stills[0].ID, house.Done, []house.Face{f}))
	return visit
}

func TestLookAlikes(t *testing.T) {
	a, clock := newArchive(t)
	hash := house.ImageHash(0x0123_4567_89ab_cdef)
	var visits []string
	for _, v := range []struct {
		ring string
		hash house.ImageHash
	}{
		{"the-same", hash},
		{"three-bits", hash ^ 0x1_0001_0001}, // in three parts, so that one is the same
		{"all-parts", hash ^ 0x8000_8000_8000_8000},
		{"moved-parts", hash<<16 | hash>>48}, // the same parts in other places
		{"no-hash", 0},
	} {
		visits = append(visits, visitWith(t, a, v.ring, v.hash))
		clock.Advance(time.Minute)
	}
	mine := visitWith(t, a, "mine", hash)
	found := func(hash house.ImageHash) (visits []string) {
		t.Helper()
		alike, err := a.NearDuplicates(t.Context(), mine, hash)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range alike {
			visits = append(visits, l.Visit)
			if l.Descriptor == (house.Descriptor{}) || l.ImageHash == 0 || l.At.IsZero() {
				t.Errorf("visit %s: %+v", l.Visit, l)
			}
		}
		return visits
	}
	if got, want := found(hash), []string{visits[1], visits[0]}; !slices.Equal(got, want) {
		t.Errorf("found %v, want %v", got, want)
	}
	if got := found(0); got != nil {
		t.Errorf("no hash, and yet %v", got)
	}

	// What no longer has its stills, or was erased, is found no more.
	must(t, a.EraseVisit(t.Context(), visits[1]))
	if got := found(hash); !slices.Equal(got, visits[:1]) {
		t.Errorf("after an erasure: %v", got)
	}
	rules := house.DefaultRules()
	for kind := range rules.Keep {
		rules.Keep[kind] = house.Rule{Stills: house.Period{Days: 1}, Findings: house.Period{Days: 30}}
	}
	must(t, a.SetRules(t.Context(), rules))
	clock.Advance(48 * time.Hour)
	sweep(t, a, noShrinker)
	if got := found(hash); got != nil {
		t.Errorf("without stills: %v", got)
	}
	var left int
	if err := a.read.QueryRow(`SELECT count(*) FROM looks`).Scan(&left); err != nil || left != 0 {
		t.Errorf("%d looks are left, %v", left, err)
	}
}
