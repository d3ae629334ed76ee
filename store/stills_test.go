package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

func TestKeep(t *testing.T) {
	a, c := newArchive(t)
	n := stillOf("r1", 3)
	n.Damaged, n.TakenAt = true, c.Ago(time.Minute)
	visit := keep(t, a, n)

	v, err := a.Visit(t.Context(), visit)
	if err != nil || len(v.Stills) != 1 {
		t.Fatalf("%d stills, %v", len(v.Stills), err)
	}
	s := v.Stills[0]
	if s.Frame != 3 || s.Width != 640 || s.Height != 480 || !s.Damaged || s.State != house.Pending ||
		s.Size != 10+labelSteps+len(n.JPEG)+2*seal.Overhead || // a mark, a length, a label and a picture
		!s.ReceivedAt.Equal(n.ReceivedAt) || !s.TakenAt.Equal(n.TakenAt) {
		t.Errorf("kept %+v of %+v", s, n)
	}
	file, err := os.ReadFile(filepath.Join(a.dir, "stills", s.ID[:2], s.ID+".still"))
	if err != nil || bytes.Contains(file, n.JPEG[:8]) || s.SHA256 != sha256.Sum256(file) {
		t.Errorf("the file holds %q, %v", file, err)
	}
	if got, err := a.ReadStill(t.Context(), visit, 3); err != nil || !bytes.Equal(got, n.JPEG) {
		t.Errorf("ReadStill: %q, %v", got, err)
	}
	if bells, err := a.Bells(t.Context()); err != nil || !bells[0].HeardAt.Equal(n.ReceivedAt) {
		t.Errorf("heard at %v, %v", bells, err)
	}
}

// What was kept once is not kept again, and is found by what was sent.
func TestKeepAgain(t *testing.T) {
	a, _ := newArchive(t)
	n := stillOf("r1", 3)
	visit := keep(t, a, n)
	other := n
	other.SentSHA256[0]++
	foreign := n
	foreign.Bell = "nobody's"
	for _, test := range []struct {
		name string
		n    house.NewStill
		want error // nil for any, once it must fail
		ok   bool
	}{
		{"the same again", n, nil, true},
		{"other bytes", other, house.ErrOtherBytes, false},
		{"a bell that is not there", foreign, nil, false},
		{"a frame past the last", stillOf("r1", 16), nil, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, added, err := a.Keep(t.Context(), test.n)
			if added || (err == nil) != test.ok || test.ok && got != visit {
				t.Errorf("visit %q, added %v, %v", got, added, err)
			}
			if test.want != nil {
				wantError(t, err, test.want)
			}
			if files := filesIn(t, a.dir, "stills"); len(files) != 1 {
				t.Errorf("files %q", files)
			}
			checkSound(t, a)
		})
	}

	for _, test := range []struct {
		ring  string
		frame int
		sent  [32]byte
		found bool
		want  error
	}{
		{"r1", 3, n.SentSHA256, true, nil},
		{"r1", 3, other.SentSHA256, true, house.ErrOtherBytes},
		{"r1", 2, n.SentSHA256, false, nil},
		{"r2", 3, n.SentSHA256, false, nil},
	} {
		s, found, err := a.Find(t.Context(), "gate", test.ring, test.frame, test.sent)
		if found != test.found || (s.Visit == visit) != test.found {
			t.Errorf("Find(%s, %d): visit %q, found %v", test.ring, test.frame, s.Visit, found)
		}
		wantError(t, err, test.want)
	}
}

// A bell that hangs up while its still is being kept leaves no file without a
// row: a picture of somebody that no retention rule would ever find.
func TestKeepOutlivesTheBell(t *testing.T) {
	a, _ := newArchive(t)
	ctx, hangUp := context.WithCancel(t.Context())
	hangUp()
	_, added, err := a.Keep(ctx, stillOf("r1", 0))
	if !added || err != nil {
		t.Errorf("added %v, %v", added, err)
	}
	checkSound(t, a)
}

func TestKeepAtOnce(t *testing.T) {
	a, _ := newArchive(t)
	for _, test := range []struct {
		name   string
		frame  func(i int) int
		stills int
	}{
		{"all frames of a ring", func(i int) int { return i }, 16},
		{"one frame sixteen times", func(int) int { return 0 }, 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			var visits sync.Map
			var added atomic.Int32
			var keeping sync.WaitGroup
			for i := range 16 {
				keeping.Go(func() {
					visit, isNew, err := a.Keep(t.Context(), stillOf(test.name, test.frame(i)))
					if err != nil {
						t.Error(err)
					}
					if isNew {
						added.Add(1)
					}
					visits.Store(visit, true)
				})
			}
			keeping.Wait()
			if int(added.Load()) != test.stills {
				t.Errorf("added %d stills, want %d", added.Load(), test.stills)
			}
			var ids []string
			visits.Range(func(id, _ any) bool { ids = append(ids, id.(string)); return true })
			if len(ids) != 1 {
				t.Fatalf("visits %q, want one", ids)
			}
			if v, err := a.Visit(t.Context(), ids[0]); err != nil || len(v.Stills) != test.stills {
				t.Errorf("the visit has %d stills, want %d; %v", len(v.Stills), test.stills, err)
			}
			checkSound(t, a)
		})
	}
}

// The disk is a file system in memory that really fills up: with the still's
// file, or with the row that is committed after it.
func TestKeepOnAFullDisk(t *testing.T) {
	const page = 4096
	for _, test := range []struct {
		name       string
		room, size int // bytes
	}{
		{"no room at all", 0, 10},
		{"not for the whole file", 5 * page, 10 * page},
		{"not for the row", page, 10},
	} {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := syscall.Mount("none", dir, "tmpfs", 0, "size=2m"); err != nil {
				t.Skipf("SKIPPED, a small file system can't be mounted here: %v", err)
			}
			t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
			a := openArchive(t, dir, newClock())
			if _, err := a.AddBell(t.Context(), "gate"); err != nil {
				t.Fatal(err)
			}
			a.fillUp = true // to the last byte, as another program might
			first := stillOf("r1", 0)
			visit := keep(t, a, first)
			filler := filepath.Join(dir, "filler")
			fill(t, filler, test.room)

			n := stillOf("r2", 0)
			n.JPEG = bytes.Repeat([]byte("x"), test.size)
			_, added, err := a.Keep(t.Context(), n)
			if added {
				t.Error("added")
			}
			wantError(t, err, house.ErrNoSpace)
			checkSound(t, a)
			if got, err := a.ReadStill(t.Context(), visit, 0); err != nil || !bytes.Equal(got, first.JPEG) {
				t.Errorf("the still from before: %q, %v", got, err)
			}
			must(t, os.Remove(filler))
			keep(t, a, n)
		})
	}
}

// A disk that stills have filled up has room left for letting visits go, and
// then for new ones.
func TestSweepOnAFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size=64m"); err != nil {
		t.Skipf("SKIPPED, a small file system can't be mounted here: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	c := newClock()
	a := openArchive(t, dir, c)
	if _, err := a.AddBell(t.Context(), "gate"); err != nil {
		t.Fatal(err)
	}
	ring := func(i int) error {
		n := stillOf(fmt.Sprintf("r%d", i), 0)
		n.JPEG = bytes.Repeat([]byte("x"), 200<<10)
		_, _, err := a.Keep(t.Context(), n)
		return err
	}
	kept := 0
	for ring(kept) == nil {
		kept++
	}
	if err := ring(kept); !errors.Is(err, house.ErrNoSpace) || kept < 200 {
		t.Fatalf("after %d stills of 200 KB on 64 MB: %v", kept, err)
	}
	c.Advance(73 * time.Hour)
	if got := sweep(t, a, noShrinker); got != (house.Swept{Visits: kept}) {
		t.Errorf("swept %+v of %d", got, kept)
	}
	if err := ring(kept); err != nil {
		t.Error(err)
	}
}

// fill takes all of a file system but that room.
func fill(t *testing.T, path string, room int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var size int64
	for err == nil {
		var n int
		n, err = f.Write(make([]byte, 4096))
		size += int64(n)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	must(t, f.Truncate(size-int64(room)))
}

// The file goes to the disk, and then the database does not.
func TestKeepWhenTheDatabaseRefuses(t *testing.T) {
	for name, refuse := range map[string]struct{ on, off string }{
		// SQLite takes it for its present size
		"full":      {`PRAGMA max_page_count = 1`, `PRAGMA max_page_count = 1000000`},
		"read only": {`PRAGMA query_only = 1`, `PRAGMA query_only = 0`},
	} {
		t.Run(name, func(t *testing.T) {
			a, _ := newArchive(t)
			if _, err := a.write.ExecContext(t.Context(), refuse.on); err != nil {
				t.Fatal(err)
			}
			var err error
			i := 0
			for ; err == nil && i < 500; i++ {
				_, _, err = a.Keep(t.Context(), stillOf(fmt.Sprintf("r%d", i), 0))
			}
			wantError(t, err, house.ErrNoSpace)
			checkSound(t, a)
			if _, err := a.write.ExecContext(t.Context(), refuse.off); err != nil {
				t.Fatal(err)
			}
			keep(t, a, stillOf(fmt.Sprintf("r%d", i-1), 0))
		})
	}
}

// A still that can't get to its place is safe where it came in, and gets there
// at the next start.
func TestKeepWithoutItsFolder(t *testing.T) {
	a, _ := newArchive(t)
	stills := filepath.Join(a.dir, "stills")
	must(t, errors.Join(os.Remove(stills), os.WriteFile(stills, nil, 0o600)))
	n := stillOf("r1", 0)
	visit := keep(t, a, n)
	read := func() {
		t.Helper()
		if got, err := a.ReadStill(t.Context(), visit, 0); err != nil || !bytes.Equal(got, n.JPEG) {
			t.Errorf("ReadStill: %q, %v", got, err)
		}
	}
	must(t, errors.Join(os.Remove(stills), os.Mkdir(stills, 0o700), a.Lock()))
	read()
	if n, err := a.Recover(t.Context()); n != (Recovered{}) || err != nil {
		t.Errorf("%+v, %v", n, err)
	}
	read()
	checkSound(t, a)
}

func TestKeepWhereNothingCanComeIn(t *testing.T) {
	a, _ := newArchive(t)
	incoming := filepath.Join(a.dir, "incoming")
	must(t, errors.Join(os.Remove(incoming), os.WriteFile(incoming, nil, 0o600)))
	if _, added, err := a.Keep(t.Context(), stillOf("r1", 0)); added || !errors.Is(err, syscall.ENOTDIR) {
		t.Errorf("added %v, %v", added, err)
	}
	if n, err := a.Revision(t.Context()); err != nil || n != 0 {
		t.Errorf("revision %d, %v", n, err)
	}
	must(t, errors.Join(os.Remove(incoming), os.Mkdir(incoming, 0o700)))
	keep(t, a, stillOf("r1", 0))
}

func TestReadStillRefuses(t *testing.T) {
	a, _ := newArchive(t)
	n := stillOf("r1", 0)
	visit := keep(t, a, n)
	file := filepath.Join(a.dir, filesIn(t, a.dir, "stills")[0])
	read := func() error {
		_, err := a.ReadStill(t.Context(), visit, 0)
		return err
	}
	sealed, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, bit := range []int{0, 4 * len(sealed), 8*len(sealed) - 1} {
		flipped := bytes.Clone(sealed)
		flipped[bit/8] ^= 1 << (bit % 8)
		must(t, os.WriteFile(file, flipped, 0o600))
		wantError(t, read(), seal.ErrOpen)
	}
	must(t, os.Truncate(file, 0))
	wantError(t, read(), seal.ErrOpen)
	must(t, os.Remove(file))
	wantError(t, read(), fs.ErrNotExist)
	must(t, os.WriteFile(file, sealed, 0o600))
	if err := read(); err != nil {
		t.Error(err)
	}
	for _, test := range []struct {
		visit string
		frame int
	}{{visit, 1}, {"../" + visit, 0}, {"", 0}} {
		_, err := a.ReadStill(t.Context(), test.visit, test.frame)
		wantError(t, err, house.ErrNotFound)
	}
}

func TestLock(t *testing.T) {
	dir, c := t.TempDir(), newClock()
	first, second := openArchive(t, dir, c), openArchive(t, dir, c)
	must(t, first.Lock())
	wantError(t, second.Lock(), ErrInUse)
	wantError(t, first.Lock(), ErrInUse)
	must(t, first.Close())
	if err := second.Lock(); err != nil {
		t.Errorf("after the first was closed: %v", err)
	}
}

// What no row names is kept aside, and nothing else is touched: neither a row's own
// file nor one of somebody else's. A file that lies twice, or is empty, is no loss.
func TestRecoverKeepsAside(t *testing.T) {
	a, _ := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0))
	kept := filesIn(t, a.dir, "stills")[0]
	id := strings.TrimSuffix(filepath.Base(kept), ".still")
	half, shelved, beside, empty := newID(), newID(), newID(), newID()
	lost := []string{"incoming/" + half, "stills/AA/" + shelved + ".still", filepath.Dir(kept) + "/" + beside + ".still"}
	others := []string{"notes.still", "stills/notes.txt", "stills/AA/notes.txt", "elsewhere/" + newID() + ".still"}
	put := func(file, text string) {
		path := filepath.Join(a.dir, file)
		must(t, errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(text), 0o600)))
	}
	for _, file := range slices.Concat(lost, others, []string{"incoming/" + id}) {
		put(file, "x")
	}
	put("incoming/"+empty, "")
	before := filesIn(t, a.dir, ".")
	if n, err := a.Recover(t.Context()); err == nil || n != (Recovered{}) {
		t.Errorf("without the lock: %+v, %v", n, err)
	}
	if after := filesIn(t, a.dir, "."); !slices.Equal(after, before) {
		t.Errorf("without the lock: %q, want %q", after, before)
	}
	must(t, a.Lock())
	if n, err := a.Recover(t.Context()); err != nil || n != (Recovered{Removed: 2, Aside: 1}) {
		t.Errorf("of what came in: %+v, %v", n, err)
	}
	if n, err := a.SetStraysAside(t.Context()); err != nil || n != 2 {
		t.Errorf("of what is in its place: %d, want 2; %v", n, err)
	}
	want := slices.DeleteFunc(before, func(file string) bool {
		return slices.Contains(lost, file) || strings.HasPrefix(file, "incoming/")
	})
	want = append(want, "server.lock", "aside/"+half+".still", "aside/"+shelved+".still", "aside/"+beside+".still")
	slices.Sort(want)
	after := filesIn(t, a.dir, ".")
	slices.Sort(after)
	if !slices.Equal(after, want) {
		t.Errorf("left %q, want %q", after, want)
	}
	if _, err := a.ReadStill(t.Context(), visit, 0); err != nil {
		t.Error(err)
	}
	if n, err := a.Recover(t.Context()); err != nil || n != (Recovered{}) {
		t.Errorf("again: %+v, %v", n, err)
	}
	if aside, err := a.Aside(); err != nil || aside.Files != 3 || aside.Bytes != 3 {
		t.Errorf("aside: %+v, %v", aside, err)
	}
	for _, file := range others {
		os.Remove(filepath.Join(a.dir, file)) // for the check at the end
	}
}
