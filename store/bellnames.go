package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
)

// bellNameSetting is the setting that holds what a bell is called, where that is
// not its address.
func bellNameSetting(id string) string { return "bell-name " + id }

// maxBellName is how many characters a bell's name has at the most, and its address.
const maxBellName = 64

// bellAddress is what an address is; a name that is one is its bell's address.
var bellAddress = regexp.MustCompile(`^[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}$`)

// RenameBell changes what a bell is called, and nothing else of it. The errors are
// ErrNotFound, ErrBadName, ErrNameUnseen, and ErrExists for a name that another has.
func (a *Archive) RenameBell(ctx context.Context, address, name string) error {
	err := a.update(ctx, func(tx *sql.Tx) error {
		if err := a.bellMustBe(ctx, tx, address); err != nil {
			return err
		}
		name, err := a.newBellName(ctx, tx, name, address)
		if err == nil {
			err = a.nameBell(ctx, tx, address, name)
		}
		return errors.Join(err, a.note(ctx, tx, "changed", "bell "+a.bellID(address)))
	})
	if err != nil {
		return fmt.Errorf("renaming a bell: %w", spaceError(err))
	}
	a.signal()
	return nil
}

// Bell returns the bell of that address or, failing that, of that name, whatever
// its case. The error is ErrNotFound.
func (a *Archive) Bell(ctx context.Context, addressOrName string) (house.Bell, error) {
	bells, err := a.Bells(ctx)
	if err != nil {
		return house.Bell{}, err
	}
	i := slices.IndexFunc(bells, func(b house.Bell) bool { return b.Address == addressOrName })
	if i < 0 {
		i = slices.IndexFunc(bells, func(b house.Bell) bool { return SameName(b.Name, addressOrName) })
	}
	if i < 0 {
		return house.Bell{}, fmt.Errorf("bell %s: %w", addressOrName, house.ErrNotFound)
	}
	return bells[i], nil
}

// BellNames returns what bells are called by their addresses, those too that were
// removed, since their visits stay.
func (a *Archive) BellNames(ctx context.Context) (map[string]string, error) {
	bells, err := a.bellsIn(ctx, a.read, `true`)
	if err != nil {
		return nil, fmt.Errorf("reading the names of bells: %w", err)
	}
	names := make(map[string]string)
	for _, b := range bells {
		names[b.Address] = b.Name
	}
	return names, nil
}

// newBellName returns a name for the bell of an address, "" for a new one, as it is
// kept.
func (a *Archive) newBellName(ctx context.Context, tx *sql.Tx, name, address string) (string, error) {
	name = norm.NFC.String(strings.TrimSpace(name))
	if err := house.CheckName(name, maxBellName); errors.Is(err, house.ErrNameUnseen) {
		return "", err
	} else if err != nil {
		return "", house.ErrBadName
	}
	bells, err := a.bellsIn(ctx, tx, `removed_at IS NULL`)
	if err != nil {
		return "", err
	}
	for _, b := range bells {
		if b.Address != address && (SameName(b.Name, name) || SameName(b.Address, name)) {
			return "", fmt.Errorf("a bell of this name is %w", house.ErrExists)
		}
	}
	return name, nil
}

// nameBell keeps what a bell is called.
func (a *Archive) nameBell(ctx context.Context, tx *sql.Tx, address, name string) error {
	setting := bellNameSetting(a.bellID(address))
	if name != address {
		return a.set(ctx, tx, setting, name)
	}
	_, err := tx.ExecContext(ctx, `DELETE FROM settings WHERE name = ?`, setting)
	return err
}

// freeAddress returns the address of a new bell: its name where that is one, or else
// what of it can be in an address, with a number where another bell has that. One
// that was removed keeps its address for its visits, and gets it back with its name.
func (a *Archive) freeAddress(ctx context.Context, tx *sql.Tx, name string) (string, error) {
	if bellAddress.MatchString(name) {
		return name, nil
	}
	bells, err := a.bellsIn(ctx, tx, `true`)
	if err != nil {
		return "", err
	}
	word := addressWord(name)
	address := word
	for n := 2; slices.ContainsFunc(bells, func(b house.Bell) bool {
		return b.Address == address && !SameName(b.Name, name)
	}); n++ {
		address = fmt.Sprintf("%s-%d", word, n)
	}
	return address, nil
}

// addressWord is a name in a-z 0-9 and hyphens: without accents, and “bell” where
// nothing is left.
func addressWord(name string) string {
	parts := strings.FieldsFunc(norm.NFKD.String(cases.Fold().String(name)), func(r rune) bool {
		return !unicode.Is(unicode.Mn, r) && !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9')
	})
	for i, part := range parts {
		parts[i] = strings.Map(func(r rune) rune {
			if r > unicode.MaxASCII {
				return -1 // an accent
			}
			return r
		}, part)
	}
	word := strings.Join(slices.DeleteFunc(parts, func(part string) bool { return part == "" }), "-")
	if len(word) > maxBellName-4 {
		word = strings.TrimRight(word[:maxBellName-4], "-")
	}
	if word == "" {
		return "bell"
	}
	return word
}
