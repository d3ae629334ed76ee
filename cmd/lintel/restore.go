package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"filippo.io/age"
	"github.com/mattn/go-isatty"

	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

type restoreCmd struct {
	Dir         string   `arg:"" help:"The folder of backups." type:"path"`
	Identity    []string `help:"${restore_identity}" type:"existingfile" placeholder:"FILE"`
	Snapshot    string   `help:"${restore_snapshot}" placeholder:"NAME"`
	ErasuresOf  string   `help:"${restore_erasures_of}" type:"path" placeholder:"DIR"`
	ArchiveLost bool     `help:"${restore_archive_lost}"`
	Household   string   `help:"Refuse backups of any archive but the one with this id." placeholder:"ID"`
	JSON        bool     `name:"json" help:"Print JSON."`
}

// Help is what --help says beyond the flags.
func (restoreCmd) Help() string {
	return `Makes an archive of a snapshot, in the folder that --data names, which must be empty or not exist. It needs the master key or the passphrase of the archive that was backed up (--key or --passphrase-file) and, if the backup is encrypted, an age identity (--identity). Everything is compared with the snapshot's SHA-256. What is damaged in the folder costs no more than itself: all else is restored, each item is told, and the exit status is 1 if something could not be made up for. If nothing can be restored, the folder is left as it was.

The archive is the one that was backed up, and its audit trail says that it was restored. It has again what was removed or revoked since: bells, sessions, tablets. Visits, persons and stills that were erased since the snapshot are not in it: the archive that was backed up is asked for them where it was, or where --erasures-of says. If it is not there any more, what was erased after the last backup comes back; so that takes --archive-lost, or a yes on a terminal.`
}

func (c *restoreCmd) Run(g *globals) error {
	identities, err := readIdentities(c.Identity)
	if err != nil {
		return err
	}
	o := backup.RestoreOptions{
		Key:        g.keyIn,
		Identities: identities, Snapshot: c.Snapshot, Household: c.Household,
		RespectErasures: true, Now: time.Now,
	}
	if o.Former, err = c.former(g); err != nil {
		return err
	}
	if o.Former != nil {
		defer o.Former.Close()
	}
	p := g.newProgress("progress-restore", 0)
	o.Progress = p.at
	r, err := backup.Restore(g.ctx, c.Dir, g.Data, o)
	p.end()
	if err == nil {
		err = c.settle(g, r, true)
	}
	switch {
	case errors.Is(err, backup.ErrForgedErasures):
		return failed(err, "restore-forged-erasures", "Error", err)
	case errors.Is(err, backup.ErrDamaged):
		return failed(err, "restore-damaged", "Error", err)
	case err != nil:
		return err
	}
	if err := g.print(c.JSON, r, func(w io.Writer) { c.describe(w, g, r) }); err != nil {
		return err
	}
	if r.Costs > 0 {
		return failed(backup.ErrDamaged, "restored-damaged", "Count", r.Costs)
	}
	return nil
}

// former opens the archive that was backed up, which knows best what was erased since. It is
// none if there is no such any more, and somebody said so.
func (c *restoreCmd) former(g *globals) (*store.Archive, error) {
	former := *g
	if former.Data = c.ErasuresOf; former.Data != "" {
		a, err := former.openArchive(false)
		if err != nil {
			return nil, failed(err, "restore-former", "Error", explain(err))
		}
		return a, nil
	}
	if c.ArchiveLost {
		return nil, nil
	}
	household, where, err := backup.Of(c.Dir)
	if err != nil {
		return nil, nil // which the restore says better
	}
	if former.Data = where; where != "" && store.Exists(where) {
		a, err := former.openArchive(false)
		if err == nil {
			is, err := a.Household(g.ctx)
			if err == nil && is == household {
				return a, nil
			}
			a.Close()
		} else {
			tell(g.stderr, "restore-former", "Error", explain(err))
		}
	}
	if !g.agreed(say.Text("restore-ask", "Folder", where)) {
		return nil, failed(errNoFormer, "restore-no-former", "Folder", where)
	}
	return nil, nil
}

// errNoFormer says that nobody knows what was erased after the last backup.
var errNoFormer = errors.New("the archive that was backed up is not there")

// agreed asks on a terminal, and takes nothing but the word for yes.
func (g *globals) agreed(question string) bool {
	if !isatty.IsTerminal(os.Stdin.Fd()) {
		return false
	}
	fmt.Fprintln(g.stderr, question)
	answer, err := bufio.NewReader(os.Stdin).ReadString('\n')
	return err == nil && strings.EqualFold(strings.TrimSpace(answer), say.Text("restore-ask-yes"))
}

// describe says what was restored and what was damaged.
func (c *restoreCmd) describe(w io.Writer, g *globals, r backup.Restored) {
	tell(w, "restored", "Snapshot", r.Snapshot, "Time", r.MadeAt.Local().Format(time.DateTime), "Folder", g.Data,
		"Stills", r.Stills)
	if r.Lost > 0 {
		tell(w, "restored-lost", "Stills", r.Lost)
	}
	for _, i := range r.Items {
		if i.Mended {
			tell(w, "restored-mended", "File", i.File, "Of", i.Of)
			continue
		}
		fmt.Fprintln(w, say.Text("restored-item-"+i.What, "File", i.File, "Of", i.Of, "Visit", i.Visit, "Frame", i.Frame))
	}
	tell(w, "restored-erased", "Erased", r.Erased)
}

// settle says in the archive that it was restored on purpose.
func (c *restoreCmd) settle(g *globals, r backup.Restored, noted bool) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	return a.Restored(g.ctx, r.Snapshot, noted)
}

// keyIn returns the master key of an archive that is being restored in dir: it
// must be there already, and a passphrase's salt comes from the backup.
func (g *globals) keyIn(dir string) (seal.Key, error) {
	restored := *g
	restored.Data = dir
	key, err := restored.masterKey()
	if errors.Is(err, seal.ErrNoKey) {
		return key, failed(seal.ErrNoKey, "restore-key")
	}
	return key, err
}

// readIdentities reads files with identities of age's, as age-keygen writes them.
func readIdentities(paths []string) (all []age.Identity, err error) {
	for _, path := range paths {
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("reading the age identity: %w", err)
		}
		some, err := age.ParseIdentities(f)
		f.Close()
		if err != nil {
			return nil, fmt.Errorf("reading the age identity in %s: %w", path, err)
		}
		all = append(all, some...)
	}
	return all, nil
}
