package main

import (
	"errors"
	"io"
	"strings"

	"lintel/store/backup"
)

type backupCmd struct {
	Dir       string   `arg:"" help:"${backup_dir}" type:"path"`
	Recipient []string `help:"Encrypt to this public key of age's; once for each key." placeholder:"age1…"`
	Plain     bool     `help:"${backup_plain}"`
	Keep      int      `help:"${backup_keep}" placeholder:"N"`
	JSON      bool     `name:"json" help:"Print JSON."`
}

// Help is what --help says beyond the flags.
func (backupCmd) Help() string {
	return `Copies the archive as it is at one moment; a server may run meanwhile. Each backup writes a snapshot: the pages of the database, the keys and the stills that the folder does not have yet. If nothing changed since the last one, nothing is written. Every still is read and compared with its SHA-256, here and in the folder. A still that is missing or changed in the archive is reported, with exit status 1, and all others are backed up; a good copy of it in the folder is kept.

Before a snapshot takes its place the copy is checked. That of a damaged archive is written beside, into DIR/damaged, with exit status 1: nothing good goes for it. Else the newest snapshot of each of the last 7 days, 4 weeks and 12 months that have any stays, unless --keep says how many.

The master key is never in a backup, and without it no backup can be read: keep a copy of it elsewhere. With --recipient all of it is encrypted once more, and that is how a backup should be. With --plain instead, whoever has the folder can read when somebody rang at which bell, how often, what kind of visit it was, how surely somebody was matched, and who was held, erased or looked at by numbers; names, pictures, faces and rules stay sealed under the master key. Make a pair of keys with age-keygen, and keep the identity it writes where the archive is not.

What was erased is in no new snapshot, and copies of erased stills go from all. What an older snapshot's database holds of an erased visit stays, sealed, until that snapshot goes; --keep 1 lets all older ones go now.

Each snapshot can be checked without Lintel: cd DIR && sha256sum --check snapshots/NAME/SHA256SUMS`
}

// errLostStills says that a backup lacks something the archive lost.
var errLostStills = errors.New("stills are missing or changed in the archive")

// errDamagedArchive says that the archive is not sound, and so was backed up beside.
var errDamagedArchive = errors.New("the archive is damaged")

func (c *backupCmd) Run(g *globals) error {
	if c.Keep < 0 {
		return misused("backup-keep")
	}
	if c.Plain == (len(c.Recipient) > 0) {
		return misused("backup-plain")
	}
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	p := g.newProgress("progress-backup", 0)
	r, err := backup.Write(g.ctx, a, c.Dir, backup.Options{Recipients: c.Recipient, Keep: c.Keep, Progress: p.at})
	p.end()
	if errors.Is(err, backup.ErrBadRecipient) {
		return misused("backup-recipient", "Error", err)
	}
	if err != nil {
		return err
	}
	if err := g.print(c.JSON, r, func(w io.Writer) { c.describe(w, g, r) }); err != nil {
		return err
	}
	if r.Damaged {
		return failed(errDamagedArchive, "backup-damaged", "Snapshot", r.Snapshot)
	}
	if r.Lost > 0 {
		return failed(errLostStills, "backup-lost", "Count", r.Lost)
	}
	return nil
}

// at tells a terminal, and nobody else, how far a long run is.
func (p *progress) at(done, total int) {
	if !p.live {
		return
	}
	p.mu.Lock()
	p.done, p.total = done-1, total
	p.mu.Unlock()
	p.step()
}

func (c *backupCmd) describe(w io.Writer, g *globals, r backup.Report) {
	if r.Unchanged {
		tell(w, "backup-unchanged", "Snapshot", r.Snapshot, "Count", r.Stills)
	} else {
		tell(w, "backup-made", "Snapshot", r.Snapshot, "Count", r.Stills, "Copied", r.Copied, "There", r.AlreadyThere)
	}
	if !r.Unchanged {
		tell(w, "backup-database", "Pieces", r.Pieces, "Copied", r.PiecesCopied, "Written", r.Written)
	}
	for _, d := range r.Defects {
		tell(w, "backup-defect", "Subject", d.Subject, "Says", d.Says)
	}
	if len(r.SnapshotsGone) > 0 {
		tell(w, "backup-snapshots-gone", "Snapshots", strings.Join(r.SnapshotsGone, ", "))
	}
	if r.StillsRemoved > 0 {
		tell(w, "backup-stills-gone", "Count", r.StillsRemoved)
	}
	if r.KeysRemoved > 0 {
		tell(w, "backup-keys-gone", "Count", r.KeysRemoved)
	}
	if len(r.DamagedIndexes) > 0 {
		tell(w, "backup-lists-damaged", "Snapshots", strings.Join(r.DamagedIndexes, ", "))
	}
	for _, s := range r.LostStills {
		key := "backup-still-lost"
		if s.Kept {
			key = "backup-still-kept"
		}
		tell(w, key, "Visit", s.Visit, "Frame", s.Frame, "Reason", say.Text("backup-still-"+s.Reason))
	}
	if more := r.Lost - len(r.LostStills); more > 0 {
		tell(w, "and-more", "More", more)
	}
	if g.PassphraseFile != "" {
		tell(w, "backup-passphrase")
	} else if path, err := g.keyOrigin(); err == nil {
		tell(w, "backup-key", "Path", path)
	}
}
