package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

type verifyCmd struct {
	Repair bool   `help:"Mend what can be mended without inventing anything."`
	From   string `help:"${verify_from}" type:"existingdir" placeholder:"DIR"`
	Erased string `help:"${verify_erased}" placeholder:"ID"`
	Raw    string `help:"${verify_raw}" placeholder:"IMAGE"`

	Recount  bool     `help:"${verify_recount}"`
	Snapshot string   `help:"${restore_snapshot}" placeholder:"NAME"`
	Identity []string `help:"${restore_identity}" type:"existingfile" placeholder:"FILE"`

	JSON bool `name:"json" help:"Print JSON."`
}

// errUnsound says that an archive has problems.
var errUnsound = errors.New("the archive is not sound")

func (c *verifyCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.From != "" && !c.Repair {
		return misused("verify-from-alone")
	}
	if err := g.expectTrail(a); err != nil {
		return err
	}
	if c.Recount {
		return c.recount(g, a)
	}
	if c.Raw != "" {
		return c.searchDisk(g, a)
	}
	if c.Erased == "" {
		return c.verify(g, a)
	}
	if c.Repair { // an erasure that is not finished is, then
		if _, err := a.Verify(g.ctx, true, nil); err != nil {
			return err
		}
	}
	return c.proveErased(g, a)
}

// recounted is what is printed of a recount.
type recounted struct {
	Removed int64 `json:"removed"` // rows that were not vouched for
}

// recount takes the archive as it is for right.
func (c *verifyCmd) recount(g *globals, a *store.Archive) error {
	removed, err := a.Recount(g.ctx)
	if errors.Is(err, store.ErrRecount) {
		return failed(err, "verify-recount-refused", "Error", err)
	}
	if err != nil {
		return err
	}
	return g.print(c.JSON, recounted{removed}, func(w io.Writer) { tell(w, "verify-recounted", "Removed", removed) })
}

func (c *verifyCmd) verify(g *globals, a *store.Archive) error {
	var looked *progress
	report, err := c.look(g, a, func(_, total int) {
		if looked == nil {
			looked = g.newProgress("progress-verify", total)
		}
		looked.step()
	})
	if looked != nil {
		looked.end()
	}
	if err == nil && !a.ReadOnly() {
		err = a.KeepSoundness(g.ctx, report)
	}
	if printed := g.print(c.JSON, report, func(w io.Writer) { printReport(w, report, err == nil) }); err == nil {
		err = printed
	}
	if err != nil {
		return err
	}
	switch {
	case report.Left == 0 && c.Repair:
		return c.shrink(g, a)
	case report.Left == 0:
		return nil
	case c.Repair:
		return failed(errUnsound, "verify-not-mended", "Problems", report.Left)
	}
	return failed(errUnsound, "verify-unsound", "Problems", report.Left)
}

// shrink gives back to the disk what the database does not need, where no server does.
func (c *verifyCmd) shrink(g *globals, a *store.Archive) error {
	if err := a.Lock(); errors.Is(err, store.ErrInUse) {
		return nil
	} else if err != nil {
		return err
	}
	bytes, err := a.Shrink(g.ctx, true)
	if err == nil && bytes > 0 && !c.JSON {
		tell(g.stdout, "verify-shrunk", "Bytes", say.Bytes(bytes))
	}
	return err
}

// look verifies the archive, or mends it, from a backup where one is named.
func (c *verifyCmd) look(g *globals, a *store.Archive, progress func(done, total int)) (store.Report, error) {
	if c.From == "" {
		return a.Verify(g.ctx, c.Repair, progress)
	}
	from, drop, err := c.restored(g)
	if err != nil {
		return store.Report{Problems: []store.Problem{}}, err
	}
	report, err := a.Mend(g.ctx, from, progress)
	return report, errors.Join(err, from.Close(), drop())
}

// restored restores the backup beside the archive, where there is room for it, and
// returns it with what removes it again.
func (c *verifyCmd) restored(g *globals) (from *store.Archive, drop func() error, err error) {
	identities, err := readIdentities(c.Identity)
	if err != nil {
		return nil, nil, err
	}
	dir, err := os.MkdirTemp(filepath.Dir(g.folder()), ".lintel-mending-")
	if err != nil {
		return nil, nil, err
	}
	drop = func() error { return os.RemoveAll(dir) }
	_, err = backup.Restore(g.ctx, c.From, dir, backup.RestoreOptions{
		Key:        func(string) (seal.Key, error) { return g.masterKey() },
		Identities: identities, Snapshot: c.Snapshot, RespectErasures: true, Now: time.Now,
	})
	var key seal.Key
	if err == nil {
		key, err = g.masterKey()
	}
	if err == nil {
		from, err = store.Open(g.ctx, dir, key, time.Now)
	}
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("reading the backup: %w", err), drop())
	}
	return from, drop, nil
}

func printReport(w io.Writer, r store.Report, whole bool) {
	for _, p := range r.Problems {
		line := p.What + ": "
		if p.Subject != "" {
			line += p.Subject + ": "
		}
		if line += p.Words; p.Mended {
			line = say.Text("verify-mended", "Problem", line)
		}
		fmt.Fprintln(w, line)
	}
	if r.Unlisted > 0 {
		tell(w, "and-more", "More", r.Unlisted)
	}
	tell(w, "verify-stills", "Visits", r.Visits, "Stills", r.Stills, "Lost", r.Lost, "Files", r.Files)
	tell(w, "verify-database", "Sealed", r.Sealed, "Keys", r.Keys, "Entries", r.Entries)
	if r.Left == 0 && whole {
		tell(w, "verify-sound")
	}
}

// searchDisk looks for keys of what was erased on a raw disk.
func (c *verifyCmd) searchDisk(g *globals, a *store.Archive) error {
	disk, err := os.Open(c.Raw)
	if err != nil {
		return err
	}
	defer disk.Close()
	report, err := a.SearchDisk(g.ctx, disk)
	if err != nil {
		return err
	}
	found := len(report.Found) + report.More
	err = g.print(c.JSON, report, func(w io.Writer) {
		for _, x := range report.Found {
			tell(w, "verify-raw-found", "At", x.At, "Of", x.What+" "+x.Of)
		}
		if report.More > 0 {
			tell(w, "and-more", "More", report.More)
		}
		if found == 0 {
			tell(w, "verify-raw", "Bytes", report.Bytes, "Erased", report.Erased)
		}
	})
	if err == nil && found > 0 {
		err = failed(store.ErrTraces, "verify-raw-traces", "Count", found)
	}
	return err
}

// proven is what is printed of a proof.
type proven struct {
	store.Proof
	Proven bool   `json:"proven"`
	Reason string `json:"reason"` // why not
}

func (c *verifyCmd) proveErased(g *globals, a *store.Archive) error {
	proof, err := a.VerifyErased(g.ctx, c.Erased)
	if err != nil && !errors.Is(err, store.ErrNotErased) && !errors.Is(err, store.ErrTraces) {
		return err
	}
	p := proven{Proof: proof, Proven: err == nil}
	if err != nil {
		p.Reason = err.Error()
	}
	printed := g.print(c.JSON, p, func(w io.Writer) {
		for _, words := range p.Checked {
			fmt.Fprintln(w, "✓", words)
		}
		if p.Proven {
			tell(w, "verify-erased", "Time", p.At.Local().Format(time.DateTime), "What", p.What, "ID", p.ID)
		}
	})
	return errors.Join(err, printed)
}
