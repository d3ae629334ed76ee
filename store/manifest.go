package store

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path"
	"path/filepath"
	"time"

	"filippo.io/age"
)

// manifestFormat is the number of the format that this Lintel writes.
const manifestFormat = 1

// A manifest says what a snapshot is. In the file, a JSON object, its fields
// are followed by one more, stills: the list of all stills in the order of their
// files, each a [manifestStill] on a line of its own, so that neither who
// writes nor who reads it needs memory for all of them. Every SHA-256 is of what
// the archive holds, before encryption. What was erased is not in it: the
// database says so.
type manifest struct {
	Format      int          `json:"format"`
	Household   string       `json:"household"`
	Snapshot    string       `json:"snapshot"`
	MadeAt      time.Time    `json:"made_at"`
	Schema      int          `json:"schema"` // of the database
	Database    manifestPart `json:"database"`
	Salt        manifestPart `json:"salt,omitzero"` // of the passphrase, where there is one
	Suffix      string       `json:"stills_suffix"` // of the stills' names in the folder
	StillsCount int          `json:"stills_count"`
}

type manifestPart struct {
	Size   int64  `json:"size"` // in bytes
	SHA256 string `json:"sha256"`
}

type manifestStill struct {
	File   string `json:"file"`
	Size   int64  `json:"size"` // in bytes
	SHA256 string `json:"sha256"`
	Lost   bool   `json:"lost,omitempty"` // there was no good copy to be had
}

// manifestHead describes the snapshot of the database's copy as it is.
func (b *backup) manifestHead(ctx context.Context, stills int) (m manifest, err error) {
	number := 1
	if n := len(b.snapshots); n > 0 {
		number = b.snapshots[n-1].number + 1
	}
	at := b.a.now().UTC()
	m = manifest{
		Format: manifestFormat, Household: b.folder.household, MadeAt: at, Suffix: b.suffix, StillsCount: stills,
		Snapshot: fmt.Sprintf("%06d.%s", number, at.Format("20060102T150405Z")),
	}
	if err := b.copy.read.QueryRowContext(ctx, `SELECT user_version FROM pragma_user_version`).Scan(&m.Schema); err != nil {
		return m, fmt.Errorf("reading the schema's version: %w", err)
	}
	if m.Database, err = partOf(filepath.Join(b.copy.dir, databaseFile)); err != nil {
		return m, err
	}
	m.Salt, err = partOf(filepath.Join(b.a.dir, saltFile))
	if errors.Is(err, os.ErrNotExist) {
		err = nil
	}
	b.round.head = m
	return m, err
}

func partOf(name string) (p manifestPart, err error) {
	info, err := os.Stat(name)
	if err != nil {
		return p, err
	}
	sum, err := hashFile(name)
	return manifestPart{info.Size(), sum}, err
}

// A manifestWriter writes a manifest still by still.
type manifestWriter struct {
	*storedFile
	stills int
}

// createManifest begins a manifest; the file's name gets age's suffix if there
// are recipients.
func createManifest(name string, recipients []age.Recipient, m manifest) (*manifestWriter, error) {
	s, err := createStored(storedName(name, len(recipients) > 0), recipients)
	if err != nil {
		return nil, err
	}
	head, err := json.Marshal(m)
	if err == nil {
		_, err = fmt.Fprintf(s, "%s,\"stills\":[", head[:len(head)-1])
	}
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	return &manifestWriter{storedFile: s}, nil
}

func storedName(name string, encrypted bool) string {
	if encrypted {
		return name + ageSuffix
	}
	return name
}

func (w *manifestWriter) add(s manifestStill) error {
	line, err := json.Marshal(s)
	if err != nil {
		return err
	}
	separator := ",\n"
	if w.stills++; w.stills == 1 {
		separator = "\n"
	}
	_, err = fmt.Fprintf(w, "%s%s", separator, line)
	return err
}

// finish ends the manifest and returns the SHA-256 of what is stored.
func (w *manifestWriter) finish() (sum string, err error) {
	if _, err := io.WriteString(w, "\n]}\n"); err != nil {
		return "", errors.Join(err, w.close())
	}
	return w.storedFile.finish()
}

// readManifest reads a manifest and calls each with its stills, one by one.
func readManifest(r io.Reader, head func(manifest) error, each func(manifestStill) error) error {
	d := json.NewDecoder(bufio.NewReader(r))
	fields := make(map[string]json.RawMessage)
	if err := delim(d, '{'); err != nil {
		return err
	}
	for d.More() {
		token, err := d.Token()
		if err != nil {
			return err
		}
		if token == "stills" {
			break
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return err
		}
		fields[fmt.Sprint(token)] = value
	}
	var m manifest
	if raw, err := json.Marshal(fields); err != nil {
		return err
	} else if err := json.Unmarshal(raw, &m); err != nil {
		return err
	}
	if err := head(m); err != nil {
		return err
	}
	if err := delim(d, '['); err != nil {
		return err
	}
	for d.More() {
		var s manifestStill
		if err := d.Decode(&s); err != nil {
			return err
		}
		if err := each(s); err != nil {
			return err
		}
	}
	if err := delim(d, ']'); err != nil {
		return err
	}
	return delim(d, '}')
}

func delim(d *json.Decoder, want json.Delim) error {
	token, err := d.Token()
	if err == nil && token != want {
		err = fmt.Errorf("%v where %v is due", token, want)
	}
	return err
}

// writeSnapshot puts the snapshot together of the database's copy, the lists
// and, last, its folder's name.
func (b *backup) writeSnapshot(ctx context.Context, state string) error {
	dir, head, sums := b.folder.incoming("snapshot"), b.round.head, b.round.sums
	list := func(name, sum string, err error) error {
		if err != nil {
			return fmt.Errorf("writing %s: %w", name, err)
		}
		return errors.Join(
			sums.sum(sum, path.Join(snapshotsDir, head.Snapshot, storedName(name, len(b.recipients) > 0))),
			b.pass(name+" written"))
	}
	sum, err := b.storeDatabase(filepath.Join(dir, databaseFile), head.Database)
	if err := list(databaseFile, sum, err); err != nil {
		return err
	}
	if head.Salt != (manifestPart{}) {
		sum, err := b.storePart(filepath.Join(b.a.dir, saltFile), filepath.Join(dir, saltFile), head.Salt)
		if err := list(saltFile, sum, err); err != nil {
			return err
		}
	}
	sum, err = b.round.manifest.finish()
	if err := list(manifestFile, sum, err); err != nil {
		return err
	}
	if err := sums.line(stateMark + state); err != nil {
		return fmt.Errorf("writing %s: %w", sumsFile, err)
	}
	if _, err := sums.finish(); err != nil {
		return fmt.Errorf("writing %s: %w", sumsFile, err)
	}
	if err := errors.Join(syncFolder(dir), b.pass("snapshot written"), ctx.Err()); err != nil {
		return err
	}
	if err := b.folder.writeErasures(b.erasures); err != nil {
		return fmt.Errorf("writing down what was erased: %w", err)
	}
	if err := b.pass("erasures written"); err != nil {
		return err
	}
	to := filepath.Join(b.folder.dir, snapshotsDir, head.Snapshot)
	if err := errors.Join(os.Rename(dir, to), syncFolder(filepath.Dir(to))); err != nil {
		return fmt.Errorf("moving the snapshot to its place: %w", err)
	}
	b.report.Snapshot = head.Snapshot
	return b.pass("snapshot in its place")
}

// storeDatabase moves the database's copy into the snapshot, or encrypts it there.
func (b *backup) storeDatabase(to string, want manifestPart) (sum string, err error) {
	from := filepath.Join(b.copy.dir, databaseFile)
	if len(b.recipients) > 0 {
		return b.storePart(from, to, want)
	}
	f, err := os.OpenFile(from, os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	return want.SHA256, errors.Join(f.Sync(), f.Close(), os.Rename(from, to))
}

// storePart copies a file into the snapshot, and sees to it that it is the one
// the manifest tells of.
func (b *backup) storePart(from, to string, want manifestPart) (sum string, err error) {
	f, err := os.Open(from)
	if err != nil {
		return "", err
	}
	defer f.Close()
	s, err := createStored(storedName(to, len(b.recipients) > 0), b.recipients)
	if err != nil {
		return "", err
	}
	part := newPartWriter(s)
	if _, err := io.Copy(part, f); err != nil {
		return "", errors.Join(err, s.close())
	}
	if part.part() != want {
		return "", errors.Join(errors.New("it changed while it was copied"), s.close())
	}
	return s.finish()
}

// A partWriter measures what is written through it.
type partWriter struct {
	w    io.Writer
	hash hash.Hash
	size int64
}

func newPartWriter(w io.Writer) *partWriter { return &partWriter{w: w, hash: sha256.New()} }

func (p *partWriter) Write(data []byte) (n int, err error) {
	n, err = p.w.Write(data)
	p.hash.Write(data[:n])
	p.size += int64(n)
	return n, err
}

func (p *partWriter) part() manifestPart {
	return manifestPart{p.size, hex.EncodeToString(p.hash.Sum(nil))}
}
