package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"filippo.io/age"

	"lintel/store/backup"
	"lintel/store/seal"
)

type restoreCmd struct {
	Dir             string   `arg:"" help:"The folder of backups." type:"path"`
	Identity        []string `help:"${restore_identity}" type:"existingfile" placeholder:"FILE"`
	Snapshot        string   `help:"${restore_snapshot}" placeholder:"NAME"`
	RespectErasures bool     `help:"Erase in the restored archive what was erased since, as far as DIR knows."`
	ErasuresOf      string   `help:"${restore_erasures_of}" type:"path" placeholder:"DIR"`
	SkipDamaged     bool     `help:"Leave out stills whose copies are damaged or missing, instead of restoring nothing."`
	Household       string   `help:"Refuse backups of any archive but the one with this id." placeholder:"ID"`
	JSON            bool     `name:"json" help:"Print JSON."`
}

// Help is what --help says beyond the flags.
func (restoreCmd) Help() string {
	return `Makes an archive of a snapshot, in the folder that --data names, which must be empty or not exist. It needs the master key or the passphrase of the archive that was backed up (--key or --passphrase-file) and, if the backup is encrypted, an age identity (--identity). Everything is compared with the snapshot's SHA-256 first: if anything is wrong, the folder is left as it was.

The archive is the one that was backed up, and its audit trail says that it was restored. It has again what was removed or revoked since: bells, sessions, tablets. With --respect-erasures, visits, persons and stills that were erased since the snapshot are erased from it too. A snapshot that names stills which were erased since can be restored in no other way, since their copies are gone.`
}

func (c *restoreCmd) Run(g *globals) error {
	identities, err := readIdentities(c.Identity)
	if err != nil {
		return err
	}
	o := backup.RestoreOptions{
		Key:        g.keyIn,
		Identities: identities, Snapshot: c.Snapshot, Household: c.Household,
		RespectErasures: c.RespectErasures || c.ErasuresOf != "", SkipDamaged: c.SkipDamaged,
		Now: time.Now,
	}
	if c.ErasuresOf != "" {
		former := *g
		former.Data = c.ErasuresOf
		if o.Former, err = former.openArchive(false); err != nil {
			return failed(err, "restore-former", "Error", explain(err))
		}
		defer o.Former.Close()
	}
	p := g.newProgress("progress-restore", 0)
	o.Progress = p.at
	r, err := backup.Restore(g.ctx, c.Dir, g.Data, o)
	p.end()
	if err == nil {
		err = c.settle(g, r, o.RespectErasures)
	}
	switch {
	case errors.Is(err, backup.ErrForgedErasures):
		return failed(err, "restore-forged-erasures", "Error", err)
	case errors.Is(err, backup.ErrDamaged):
		return failed(err, "restore-damaged", "Error", err)
	case errors.Is(err, backup.ErrErasedSince):
		return failed(err, "restore-erased-since", "Error", err)
	case err != nil:
		return err
	}
	return g.print(c.JSON, r, func(w io.Writer) {
		tell(w, "restored", "Snapshot", r.Snapshot, "Time", r.MadeAt.Local().Format(time.DateTime), "Folder", g.Data,
			"Stills", r.Stills)
		if r.Lost > 0 {
			tell(w, "restored-lost", "Stills", r.Lost)
		}
		if r.Damaged > 0 {
			tell(w, "restored-damaged", "Stills", r.Damaged)
		}
		if o.RespectErasures {
			tell(w, "restored-erased", "Erased", r.Erased)
		}
	})
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
