package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/mattn/go-isatty"

	"lintel/internal/house"
	"lintel/internal/qr"
	"lintel/store"
	"lintel/store/seal"
)

type keyCmd struct {
	Rotate keyRotateCmd `cmd:"" help:"Give the archive a new master key, or finish that where it broke off."`
	Copy   keyCopyCmd   `cmd:"" help:"Print the master key as lines and as a QR code, to keep on paper."`
	Check  keyCheckCmd  `cmd:"" help:"${key_check}"`
}

// Beside the master key lies the one that is to come, until it is the archive's, and the
// one that was.
const (
	newKeySuffix = ".new"
	oldKeySuffix = ".old"
)

// Steps of a rotation beyond those of the archive.
const (
	rotateMade     store.RotateStep = "made"      // the new key lies beside the old one
	rotateOldKept  store.RotateStep = "old-kept"  // the old one lies beside it under its new name
	rotateReplaced store.RotateStep = "new-taken" // and the new one in its place
)

type keyRotateCmd struct {
	JSON bool `name:"json" help:"Print JSON."`

	told func(store.RotateStep) // by a test
}

func (c *keyRotateCmd) Help() string { return say.Text("key-rotate-help") }

// rotated is what is printed of a rotation.
type rotated struct {
	Key string `json:"key"` // the file with the new one
	Old string `json:"old"` // and that with the one before
}

func (c *keyRotateCmd) Run(g *globals) error {
	if c.told == nil {
		c.told = func(store.RotateStep) {}
	}
	if g.PassphraseFile != "" {
		return misused("key-rotate-passphrase")
	}
	if !store.Exists(g.Data) {
		return failed(store.ErrNoArchive, "command-no-archive", "Folder", g.Data)
	}
	path, err := g.keyPath()
	if err != nil {
		return err
	}
	key, err := g.masterKey()
	if err != nil {
		return err
	}
	if others := g.othersOf(path, key); len(others) > 0 {
		return misused("key-rotate-shared", "Path", path, "Folders", strings.Join(others, ", "))
	}
	if err := c.rotate(g, path, key); err != nil {
		return err
	}
	old, err := replaceKey(path, key, c.told)
	if err != nil {
		return err
	}
	return g.print(c.JSON, rotated{path, old}, func(w io.Writer) { tell(w, "key-rotated", "Path", path, "Old", old) })
}

// rotate brings the archive to the key that lies beside the old one, making that first
// where there is none.
func (c *keyRotateCmd) rotate(g *globals, path string, key seal.Key) error {
	next, err := seal.ReadKey(path + newKeySuffix)
	a, opened := store.Open(g.ctx, g.Data, key, time.Now)
	if errors.Is(opened, store.ErrWrongKey) && err == nil {
		// A rotation broke off when the archive had the new key already.
		if a, opened = store.Open(g.ctx, g.Data, next, time.Now); opened != nil {
			return opened
		}
		defer a.Close()
		return writtenAnew(g, a)
	}
	if opened != nil {
		return opened
	}
	defer a.Close()
	if err := a.Lock(); err != nil {
		return err
	}
	if err != nil {
		if next, err = newKeyBeside(path); err != nil {
			return err
		}
	}
	c.told(rotateMade)
	if err := a.Rotate(g.ctx, next, c.told); err != nil {
		return err
	}
	return writtenAnew(g, a)
}

// writtenAnew leaves nothing in the database's file that the old key opens. Where there
// is no room for a copy of it, what was sealed before stays until its place is used.
func writtenAnew(g *globals, a *store.Archive) error {
	_, err := a.Compact(g.ctx)
	if errors.Is(err, house.ErrNoSpace) {
		tell(g.stderr, "key-rotate-room")
		return nil
	}
	return err
}

// newKeyBeside makes the key that is to come. What lies there was not written to its
// end, and is nobody's.
func newKeyBeside(path string) (seal.Key, error) {
	if err := os.Remove(path + newKeySuffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return seal.Key{}, fmt.Errorf("making a new master key: %w", err)
	}
	key := seal.NewKey()
	return key, seal.WriteKey(path+newKeySuffix, key)
}

// replaceKey puts the new key into the old one's place, and keeps that beside. One that
// was kept by an earlier rotation stays.
func replaceKey(path string, key seal.Key, told func(store.RotateStep)) (old string, err error) {
	for i := 1; ; i++ {
		old = path + oldKeySuffix
		if i > 1 {
			old += strconv.Itoa(i)
		}
		kept, err := seal.ReadKey(old)
		if err == nil && kept == key {
			break
		}
		if errors.Is(err, seal.ErrNoKey) {
			if err := seal.WriteKey(old, key); err != nil {
				return old, err
			}
			break
		}
	}
	told(rotateOldKept)
	if err := os.Rename(path+newKeySuffix, path); err != nil {
		return old, fmt.Errorf("putting the new master key in its place: %w", err)
	}
	told(rotateReplaced)
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return old, fmt.Errorf("putting the new master key in its place: %w", err)
	}
	return old, errors.Join(folder.Sync(), folder.Close())
}

// othersOf returns the folders of other archives that the key opens, of those that
// were served with it.
func (g *globals) othersOf(path string, key seal.Key) (others []string) {
	c := &count{path: path + countSuffix}
	if c.read() != nil {
		return nil
	}
	for folder := range c.kept.Folders {
		if folder != g.folder() && store.Exists(folder) && store.TryKey(g.ctx, folder, key) == nil {
			others = append(others, folder)
		}
	}
	slices.Sort(others)
	return others
}

// rotating says of an archive that another key opens that its key is being changed.
func (g *globals) rotating(err error) error {
	path, wrong := g.keyPath()
	if !errors.Is(err, store.ErrWrongKey) || wrong != nil || g.PassphraseFile != "" {
		return err
	}
	if next, wrong := seal.ReadKey(path + newKeySuffix); wrong == nil && store.TryKey(g.ctx, g.Data, next) == nil {
		return failed(err, "key-rotation-broken-off")
	}
	return err
}

type keyCopyCmd struct {
	SVG string `name:"svg" help:"${key_svg}" type:"path" placeholder:"FILE"`
}

func (c *keyCopyCmd) Run(g *globals) error {
	if !store.Exists(g.Data) {
		return failed(store.ErrNoArchive, "command-no-archive", "Folder", g.Data)
	}
	key, err := g.masterKey()
	if err != nil {
		return err
	}
	if err := store.TryKey(g.ctx, g.Data, key); err != nil {
		return g.rotating(err)
	}
	code, err := qr.New(key.Text())
	if err != nil {
		return err
	}
	if c.SVG != "" {
		f, err := os.OpenFile(c.SVG, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if errors.Is(err, fs.ErrExist) {
			return failed(err, "file-there", "Path", c.SVG, "Error", err)
		}
		if err != nil {
			return err
		}
		_, err = f.WriteString(keySheet(code, key))
		if err = errors.Join(err, f.Close()); err == nil {
			tell(g.stdout, "key-sheet", "Path", c.SVG)
		}
		return err
	}
	fmt.Fprintln(g.stdout, strings.Join(key.Lines(), "\n"))
	fmt.Fprintln(g.stdout, strings.Join(code.Lines(), "\n"))
	tell(g.stderr, "key-copied")
	return nil
}

// keySheet is the copy as a picture to print: the code, 60 mm wide, and the lines below.
func keySheet(code qr.Code, key seal.Key) string {
	var b strings.Builder
	side := code.Side()
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="120mm" viewBox="0 0 100 120">`+
		`<rect width="100" height="120" fill="#fff"/><g transform="translate(20 5) scale(%g)">`+
		`<path d="%s" fill="#000"/></g><g font-family="monospace" font-size="6" fill="#000">`, 60/float64(side), code.Path())
	for i, line := range key.Lines() {
		fmt.Fprintf(&b, `<text x="50" y="%d" text-anchor="middle">%s</text>`, 76+8*i, line)
	}
	return b.String() + "</g></svg>\n"
}

type keyCheckCmd struct {
	JSON bool `name:"json" help:"Print JSON."`

	typed io.Reader // os.Stdin, but for a test
}

// checkedKey is what is printed of a copy that is a master key.
type checkedKey struct {
	Archive bool   `json:"archive"` // it opens the archive
	Old     string `json:"old"`     // the file with an earlier key that it is, or ""
}

// errNotTheKey says that a copy is of another key.
var errNotTheKey = errors.New("this is another master key")

func (c *keyCheckCmd) Run(g *globals) error {
	if !store.Exists(g.Data) {
		return failed(store.ErrNoArchive, "command-no-archive", "Folder", g.Data)
	}
	if c.typed == nil {
		c.typed = os.Stdin
		if isatty.IsTerminal(os.Stdin.Fd()) {
			tell(g.stderr, "key-type")
		}
	}
	const more = 4096 // than any copy has
	text, err := io.ReadAll(io.LimitReader(c.typed, more))
	if err != nil {
		return fmt.Errorf("reading the copy: %w", err)
	}
	key, err := seal.KeyOfCopy(text)
	var wrong seal.CopyError
	switch {
	case errors.As(err, &wrong) && wrong.Line == 0:
		return failed(err, "key-copy-mixed")
	case errors.As(err, &wrong):
		return failed(err, "key-copy-mistake", "Line", wrong.Line)
	case err != nil:
		return err
	}
	var is checkedKey
	err = store.TryKey(g.ctx, g.Data, key)
	if is.Archive = err == nil; err != nil && !errors.Is(err, store.ErrWrongKey) {
		return err
	}
	if !is.Archive {
		is.Old = g.earlierKey(key)
	}
	if err := g.print(c.JSON, is, func(w io.Writer) {
		if is.Archive {
			tell(w, "key-right")
		}
	}); err != nil || is.Archive {
		return err
	}
	if is.Old != "" {
		return failed(errNotTheKey, "key-earlier", "Path", is.Old)
	}
	return failed(errNotTheKey, "key-another")
}

// earlierKey returns the file beside the master key that holds an earlier one, or "".
func (g *globals) earlierKey(key seal.Key) string {
	path, err := g.keyPath()
	if err != nil {
		return ""
	}
	files, _ := filepath.Glob(path + oldKeySuffix + "*")
	for _, file := range files {
		if kept, err := seal.ReadKey(file); err == nil && kept == key {
			return file
		}
	}
	return ""
}
