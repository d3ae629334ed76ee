package store

import (
	"cmp"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// A disk changes bits, and then a sealed value or its key does not open. Whoever reads
// goes on with the rest:
//
//   - A text reads as [house.Unreadable], and what is made of numbers as none.
//   - A setting that decides is as one that nobody vouches for: nothing goes by it.
//   - What gives power gives none: a code, a key, a program's scopes, a rule.
//   - What is deleted need not open.
//
// [Archive.open] remembers each that it meets, for residents to be told once.

// mostDamages bounds what is remembered; verify finds the others.
const mostDamages = 1000

// damages are what was met of an archive that does not open, and when last.
type damages struct {
	mu  sync.Mutex
	met map[house.Damage]time.Time
}

func (d *damages) meet(place []string, at time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.met == nil {
		d.met = make(map[house.Damage]time.Time)
	}
	if len(d.met) < mostDamages {
		d.met[house.Damage{What: place[0], ID: strings.Join(place[1:], " ")}] = at
	}
}

// after returns what was met after a time, each once.
func (d *damages) after(t time.Time) (all []house.Damage) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for one, at := range d.met {
		if at.After(t) {
			all = append(all, one)
		}
	}
	slices.SortFunc(all, func(x, y house.Damage) int {
		return cmp.Or(strings.Compare(x.What, y.What), strings.Compare(x.ID, y.ID))
	})
	return all
}

// Damaged returns what was met that does not open any more, since the archive was
// opened.
func (a *Archive) Damaged() []house.Damage { return a.damages.after(time.Time{}) }

// passedOver is the error of opening a value, or nil where that does not open and the
// reader goes on without.
func passedOver(err error) error {
	if errors.Is(err, seal.ErrOpen) {
		return nil
	}
	return err
}

// bellAddress opens the address of a bell. One that does not open is named by the
// bell's id, so that everything that takes an address finds it ([Archive.bellID]).
func (a *Archive) bellAddress(address *string, sealed []byte, id string) error {
	err := a.unseal(address, sealed, "bells.name", id)
	if *address == house.Unreadable {
		*address += id
	}
	return err
}

// neverRule is what holds where a rule of a door does not open, which may have said
// never.
var neverRule = house.DoorRule{Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * 60, Holidays: true}
