package backup

import (
	"context"
	"crypto/hmac"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lintel/store"
	"lintel/store/internal/durable"
	"lintel/store/internal/keyfile"
)

// An erasureList is what was erased as far as a backup knew.
type erasureList struct {
	all    []store.Erasure
	newest string // the snapshot that was written with it
	mac    string // of both, by the archive's key; "" in lists of earlier versions
	second bool   // it is the newest snapshot's, since the folder's was damaged
}

// macMark begins the line of the list of erasures that authenticates it, and
// names the snapshot that it was written with.
const macMark = "# authentic "

// text is what is authenticated.
func (l erasureList) text(household string) string {
	var b strings.Builder
	fmt.Fprintln(&b, household, l.newest)
	for _, e := range l.all {
		fmt.Fprintln(&b, erasureLine(e))
	}
	return b.String()
}

func erasureLine(e store.Erasure) string {
	return e.What + " " + e.ID + " " + e.At.UTC().Format(time.RFC3339Nano)
}

// writeErasures writes what was erased into a new file.
func writeErasures(path string, l erasureList) error {
	c, err := createList(path)
	if err != nil {
		return err
	}
	for _, e := range l.all {
		err = errors.Join(err, c.line(erasureLine(e)))
	}
	err = errors.Join(err, c.line(macMark+l.newest+" "+l.mac))
	return errors.Join(err, c.finish())
}

// replaceErasures writes what was erased in the place of what was known before.
func (f *folder) replaceErasures(l erasureList) error {
	if err := writeErasures(f.incoming(erasuresFile), l); err != nil {
		return err
	}
	if err := os.Rename(f.incoming(erasuresFile), filepath.Join(f.dir, erasuresFile)); err != nil {
		return err
	}
	return durable.SyncFolder(f.dir)
}

// erasures returns what was erased as far as the last backup knew. If its list is damaged,
// the newest snapshot has another. Whether the list is authentic is known once the master key is.
func (f *folder) erasures() (l erasureList, err error) {
	l, err = readErasures(filepath.Join(f.dir, erasuresFile))
	if !errors.Is(err, ErrDamaged) {
		return l, err
	}
	all, listErr := f.snapshots()
	if listErr != nil || len(all) == 0 {
		return l, err
	}
	if second, secondErr := readErasures(filepath.Join(all[len(all)-1].dir, erasuresFile)); secondErr == nil {
		second.second = true
		return second, nil
	}
	return l, err
}

func readErasures(path string) (l erasureList, err error) {
	err = readList(path, func(line string) error {
		if text, ok := strings.CutPrefix(line, macMark); ok && l.mac == "" {
			l.newest, l.mac, _ = strings.Cut(text, " ")
			return nil
		}
		words := strings.Split(line, " ")
		if len(words) != 3 {
			return errBadLine
		}
		at, err := time.Parse(time.RFC3339Nano, words[2])
		if err != nil {
			return errBadLine
		}
		l.all = append(l.all, store.Erasure{What: words[0], ID: words[1], At: at})
		return nil
	})
	if errors.Is(err, fs.ErrNotExist) {
		return erasureList{}, fmt.Errorf("%w: the list of erasures is missing", ErrDamaged)
	}
	return l, err
}

// forgetErased removes copies of erased stills, those that the new snapshot
// does without.
func (b *backup) forgetErased(ctx context.Context) error {
	if b.blind {
		return nil
	}
	var files []string
	for _, e := range b.erasures {
		if e.What == "still" {
			files = append(files, e.ID)
		}
	}
	slices.Sort(files)
	erased := listOf(files)
	n, err := b.folder.removeStills(ctx, func(file, _ string) (bool, error) {
		_, found, err := erased.find(file)
		return found, err
	})
	b.report.StillsRemoved += n
	return errors.Join(err, b.pass("erased stills removed"))
}

// dropKeys overwrites the keys of what was erased in all snapshots.
func (b *backup) dropKeys(context.Context) error {
	if b.blind {
		return nil
	}
	all, err := b.folder.snapshots()
	if err != nil {
		return err
	}
	if b.report.KeysRemoved, err = b.folder.dropErased(b.erasedKeys); err != nil {
		return err
	}
	for _, s := range all {
		n, err := keyfile.Drop(filepath.Join(s.dir, keysFile), b.erasedKeys)
		if err != nil && !errors.Is(err, fs.ErrNotExist) { // only snapshots of earlier versions have one each
			return fmt.Errorf("overwriting keys of snapshot %s: %w", s.name, err)
		}
		b.report.KeysRemoved += n
	}
	return b.pass("keys dropped")
}

// isAuthentic reports whether a backup of this archive wrote the list.
func (b *backup) isAuthentic(f *folder, l erasureList) bool {
	return hmac.Equal([]byte(l.mac), []byte(b.a.AuthenticOfAll(erasuresFile, l.text(f.household))))
}

// listErasures is what the archive erased, with what the folder knows besides:
// somebody may have removed it from the archive.
func (b *backup) listErasures() erasureList {
	list := erasureList{newest: b.name}
	if !b.blind {
		list.all = slices.Clone(b.erasures)
	}
	if len(b.defects) > 0 {
		list.newest = "" // a copy of a damaged archive is none of the snapshots
		if n := len(b.snapshots); n > 0 {
			list.newest = b.snapshots[n-1].name
		}
	}
	if before, err := b.folder.erasures(); err == nil && b.isAuthentic(b.folder, before) {
		known := make(map[string]bool, len(list.all))
		for _, e := range list.all {
			known[e.What+" "+e.ID] = true
		}
		for _, e := range before.all {
			if !known[e.What+" "+e.ID] {
				list.all = append(list.all, e)
			}
		}
	}
	list.mac = b.a.AuthenticOfAll(erasuresFile, list.text(b.folder.household))
	return list
}

// erasedSince returns what of the database's copy the archive erased since.
func (b *backup) erasedSince(ctx context.Context) (since []store.Erasure, err error) {
	if b.blind {
		return nil, nil
	}
	// The keys first: what is erased in between is in the list of erasures alone, and
	// is taken out of the copy if it is there.
	if b.erasedKeys, err = b.a.ErasedSlots(ctx); err != nil {
		return nil, err
	}
	if b.erasures, err = b.a.Erasures(ctx); err != nil {
		return nil, err
	}
	if len(b.defects) > 0 {
		return nil, nil // it is copied once, whatever went meanwhile
	}
	return b.copy.StillHas(ctx, b.erasures)
}

// takeOut removes from the database's copy what the archive let go and erased.
func (b *backup) takeOut(ctx context.Context, gone []string, erased []store.Erasure) error {
	if err := b.copy.TakeOut(ctx, gone, erased); err != nil {
		return err
	}
	return b.pass("taken out")
}

// knowErasures collects what was erased, as far as it can be known.
func (r *restore) knowErasures(ctx context.Context) error {
	var err error
	if r.listed, err = r.folder.erasures(); err != nil || r.listed.second {
		if err != nil && (!errors.Is(err, ErrDamaged) || r.o.Former == nil) {
			return err
		}
		r.item(Item{What: OfErasures, File: erasuresFile, Mended: true})
		r.unlisted = err != nil // the former archive knows
	}
	all := slices.Clone(r.listed.all)
	if r.o.Former != nil {
		household, err := r.o.Former.Household(ctx)
		if err != nil {
			return err
		}
		if r.folder.household != "" && household != r.folder.household {
			return fmt.Errorf("%w than the archive whose erasures are to be respected", ErrOtherHousehold)
		}
		more, err := r.o.Former.Erasures(ctx)
		if err != nil {
			return err
		}
		all = append(all, more...)
	}
	r.erasures = make(map[string]store.Erasure, len(all))
	for _, e := range all {
		r.erasures[e.What+" "+e.ID] = e
	}
	return nil
}

// checkErasures finds out, now that the master key is known, whether the folder's
// list of erasures is the one that the backup of its newest snapshot wrote. Of
// folders that only earlier versions wrote to, it is taken as it is.
func (r *restore) checkErasures(database *store.Snapshot) error {
	if r.unlisted || !database.Vouches() && r.listed.mac == "" {
		return nil
	}
	want := database.AuthenticOfAll(erasuresFile, r.listed.text(r.folder.household))
	if !hmac.Equal([]byte(want), []byte(r.listed.mac)) {
		return ErrForgedErasures
	}
	all, err := r.folder.snapshots()
	if err == nil && len(all) > 0 && all[len(all)-1].name > r.listed.newest {
		err = ErrForgedErasures
	}
	return err
}

// respectErasures erases in the restored archive what was erased since.
func (r *restore) respectErasures(ctx context.Context) (err error) {
	now := r.o.Now
	if now == nil {
		now = time.Now
	}
	a, err := store.Open(ctx, r.work, r.key, now)
	if err != nil {
		return err
	}
	defer func() {
		if closeErr := a.Close(); closeErr != nil {
			err = errors.Join(err, fmt.Errorf("closing the restored archive: %w", closeErr))
		}
	}()
	if err := a.Note(ctx, "restored", "snapshot "+r.snapshot.name); err != nil {
		return err
	}
	if r.report.Erased, err = a.RespectErasures(ctx, slices.Collect(maps.Values(r.erasures))); err != nil {
		return err
	}
	return a.RememberGone(ctx)
}
