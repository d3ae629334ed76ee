package folder

import (
	"context"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/intake"
)

// What a folder tells comes as from a bell: frames that are near in time are one
// ring, once each of them is whole.
func TestWatch(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.write("one.jpg", picture(t, 1))
	if wait := h.look(); wait <= 0 || wait > Settle {
		t.Errorf("a file just written is looked at again in %s, want %s at most", wait, Settle)
	}
	h.wantFrames()
	h.now = h.now.Add(Settle)
	h.look()
	h.wantFrames(1)
	h.write("cam/2027-02-03/two.JPEG", picture(t, 2))
	h.settle()
	h.wantFrames(2)
	h.now = h.now.Add(Gap + time.Second)
	h.write("three.jpg", picture(t, 3))
	h.settle()
	all := h.wantFrames(2, 1)
	for _, v := range all {
		if v.Bell != "gate" || !v.ImportedAt.IsZero() || v.ClockSkew().Abs() > time.Second {
			t.Errorf("visit %+v, want one that rings now, by a clock that is right", v)
		}
	}
	if s := h.watcher.Status(); s.Taken != 3 || s.Waiting != 0 || s.Old != 0 {
		t.Errorf("status %+v", s)
	}
	if _, err := os.Stat(filepath.Join(h.dir, "one.jpg")); err != nil {
		t.Errorf("a file that was taken: %v, want it there", err)
	}
}

// No file is taken twice, whatever it is called and however often the server starts.
func TestTakenOnce(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.write("one.jpg", picture(t, 1))
	h.settle()
	h.write("again.jpg", picture(t, 1))
	h.settle()
	h.wantFrames(1)
	h.now = h.now.Add(time.Hour)
	h.start(Watch{})
	h.settle()
	h.must(os.Rename(filepath.Join(h.dir, "one.jpg"), filepath.Join(h.dir, "renamed.jpg")))
	h.settle()
	all := h.wantFrames(1)
	// Nor what the household erased meanwhile.
	h.must(h.archive.EraseVisit(t.Context(), all[0].ID))
	h.start(Watch{})
	h.write("copy.jpg", picture(t, 1))
	h.settle()
	h.wantFrames()
}

// A crash between a still and what is remembered of its file makes no second visit.
func TestCrashedBetween(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	body := picture(t, 1)
	h.must(h.archive.KeepFile(t.Context(), house.FolderFile{Bell: "gate", Name: "one.jpg", Content: contentOf(body),
		Ring: "folder-before", Frame: 3, State: house.FileBegun}))
	_, err := h.Intake.Receive(t.Context(), intake.Delivery{Bell: "gate", Ring: "folder-before", Frame: 3, Body: body})
	h.must(err)
	h.start(Watch{})
	h.write("one.jpg", body)
	h.settle()
	h.write("two.jpg", picture(t, 2))
	h.settle()
	all := h.wantFrames(2)
	if all[0].Ring != "folder-before" {
		t.Errorf("ring %s, want that which was begun", all[0].Ring)
	}
}

// What was there before rings nobody; what came while the server was off comes at its
// own time.
func TestOldAndLate(t *testing.T) {
	h := newHousehold(t)
	h.now = began.Add(-time.Hour)
	for i := range 40 {
		h.write("old/"+string(rune('a'+i%26))+string(rune('a'+i/26))+".jpg", picture(t, 100+i))
	}
	h.now = began
	h.settle()
	h.wantFrames()
	if s := h.watcher.Status(); s.Old != 40 {
		t.Errorf("%d files are old, want 40", s.Old)
	}
	h.now = began.Add(time.Hour)
	h.write("missed.jpg", picture(t, 1))
	h.now = began.Add(3 * time.Hour)
	h.start(Watch{})
	h.settle()
	v := h.wantFrames(1)[0]
	if !v.ReceivedAt.Equal(began.Add(time.Hour)) || v.ImportedAt.IsZero() {
		t.Errorf("a file that came while nobody watched is of %s, imported at %s", v.ReceivedAt, v.ImportedAt)
	}
}

// Files that come late break no ring in two that comes now.
func TestLateBetween(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.now = began.Add(time.Hour)
	h.write("one.jpg", picture(t, 1))
	h.settle()
	late := h.write("late.jpg", picture(t, 2))
	h.must(chtimes(late, h.now.Add(-30*time.Minute)))
	h.settle()
	h.write("two.jpg", picture(t, 3))
	h.settle()
	h.wantFrames(1, 2)
}

// A clock that is wrong by years spoils no ring.
func TestWrongClock(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	for i, at := range []time.Time{time.Unix(0, 0), began.Add(30 * time.Hour), began.AddDate(200, 0, 0)} {
		path := h.write(string(rune('a'+i))+".jpg", picture(t, i))
		h.must(os.Chtimes(path, at, at))
		h.settle()
		h.now = h.now.Add(time.Minute)
	}
	for _, v := range h.wantFrames(1, 1, 1) {
		if v.ReceivedAt.Before(began) || v.ReceivedAt.After(h.now) || !v.ImportedAt.IsZero() {
			t.Errorf("a still of a wrong clock is of %s, imported at %s; it rang just now", v.ReceivedAt, v.ImportedAt)
		}
		if v.ClockSkew().Abs() < time.Hour {
			t.Errorf("nothing is told of a clock that is wrong: taken at %s, came %s", v.Stills[0].TakenAt, v.ReceivedAt)
		}
	}
}

// A share that goes and comes back brings nothing anew.
func TestFolderLost(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.write("one.jpg", picture(t, 1))
	h.settle()
	away := h.dir + ".away"
	h.must(os.Rename(h.dir, away))
	h.look()
	if s := h.watcher.Status(); !s.LostAt.Equal(h.now) {
		t.Errorf("lost at %s, want %s", s.LostAt, h.now)
	}
	h.must(os.Mkdir(h.dir, 0o755)) // where a share was is an empty folder
	h.look()
	h.must(os.Remove(h.dir))
	h.must(os.Rename(away, h.dir))
	h.write("two.jpg", picture(t, 2))
	h.settle()
	h.wantFrames(2)
	if s := h.watcher.Status(); !s.LostAt.IsZero() {
		t.Errorf("still lost at %s", s.LostAt)
	}
}

// A file that goes before it was whole is waited for no more, until it comes back.
func TestFileGone(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	body := picture(t, 1)
	path := h.write("one.jpg", body[:len(body)/2])
	h.settle()
	h.must(os.Remove(path))
	h.now = h.now.Add(time.Second)
	if wait := h.look(); wait != again {
		t.Errorf("looked at again in %s, want %s", wait, again)
	}
	if s := h.watcher.Status(); s.Waiting != 0 {
		t.Errorf("%d files wait, want none", s.Waiting)
	}
	h.write("one.jpg", body)
	h.settle()
	h.wantFrames(1)
}

// A full disk loses nothing.
func TestDiskFull(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.full = true
	h.write("one.jpg", picture(t, 1))
	h.settle()
	h.wantFrames()
	if s := h.watcher.Status(); s.Waiting != 1 {
		t.Errorf("%d files wait, want 1", s.Waiting)
	}
	h.full = false
	h.now = h.now.Add(again)
	h.look()
	h.wantFrames(1)
}

// What is no still is refused by its reason, once, and holds nobody up.
//
// The kinds are known by their first bytes: ISO/IEC 14496-12, 4.3 and ISO/IEC
// 23008-12 (HEIC), RFC 9649, 2.4 (WebP). The three headers are from memory.
func TestNoStills(t *testing.T) {
	for _, c := range []struct {
		name string
		body []byte
		want Reason
	}{
		{"empty.jpg", nil, Empty},
		{"text.jpg", []byte("This is no picture, but a letter of some length."), NoPicture},
		{"huge.jpg", append(picture(t, 9), make([]byte, intake.MaxBytes)...), TooLarge},
		{"phone.heic", []byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic, and so on"), HEIC},
		{"heic.jpg", []byte("\x00\x00\x00\x18ftypmif1\x00\x00\x00\x00mif1heic, and so on"), HEIC},
		{"a\x01\n\xffb.webp", []byte("RIFF\x20\x00\x00\x00WEBPVP8 , and so on"), WebP},
	} {
		t.Run(string(c.want), func(t *testing.T) {
			h := newHousehold(t)
			h.begin()
			h.write(c.name, c.body)
			h.settle()
			h.now = h.now.Add(Patience)
			h.look()
			h.write("good.jpg", picture(t, 1))
			h.settle()
			h.wantFrames(1)
			if s := h.watcher.Status(); len(s.Refused) != 1 || s.Refused[c.want] != 1 {
				t.Errorf("refused %v, want one by %s", s.Refused, c.want)
			}
		})
	}
}

// Nothing but a file is opened: neither a pipe, which would wait for ever, nor what a
// link leads to, nor what is half written by its name.
func TestOnlyFiles(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	secret := filepath.Join(t.TempDir(), "elsewhere.jpg")
	h.must(os.WriteFile(secret, picture(t, 1), 0o644))
	h.must(os.Symlink(secret, filepath.Join(h.dir, "link.jpg")))
	h.must(os.Symlink(filepath.Dir(secret), filepath.Join(h.dir, "linked")))
	h.must(os.Symlink("/dev/zero", filepath.Join(h.dir, "zero.jpg")))
	h.must(syscall.Mkfifo(filepath.Join(h.dir, "pipe.jpg"), 0o644))
	h.write(".one.jpg.Xy12", picture(t, 2))
	h.write(".hidden.jpg", picture(t, 3))
	h.write("notes.txt", []byte("not a picture"))
	h.write("folder.jpg/x.txt", []byte("not a picture"))
	h.settle()
	h.wantFrames()
	if s := h.watcher.Status(); s.Waiting != 0 || len(s.Refused) != 0 {
		t.Errorf("status %+v, want nothing told of what is no file", s)
	}
	h.must(os.Rename(filepath.Join(h.dir, ".hidden.jpg"), filepath.Join(h.dir, "now.jpg"))) // as rsync does
	h.settle()
	h.wantFrames(1)
}

// A file that somebody writes slowly is taken when it is whole, and one that is cut
// when nobody wrote for a while.
func TestSlowWriter(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	body := picture(t, 1)
	for n := 0; n < len(body); n += len(body)/8 + 1 {
		h.write("slow.jpg", body[:n])
		h.look()
		h.now = h.now.Add(2 * Settle)
		h.look()
		h.wantFrames()
	}
	h.write("slow.jpg", body)
	h.settle()
	if v := h.wantFrames(1)[0]; v.Stills[0].Damaged {
		t.Error("a file that was written slowly is damaged")
	}
	h.now = h.now.Add(time.Minute)
	h.write("cut.jpg", body[:len(body)*3/4])
	h.settle()
	h.wantFrames(1)
	h.now = h.now.Add(Patience)
	h.look()
	if v := h.wantFrames(1, 1)[1]; !v.Stills[0].Damaged {
		t.Error("a file that ends in the middle is not called damaged")
	}
}

// A file that somebody never stops writing to is taken as far as it goes.
func TestNeverDone(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	body := picture(t, 1)
	for range int(Longest/Settle) + 2 {
		h.write("never.jpg", body[:len(body)*3/4])
		body = append(body, 0)
		h.look()
		h.now = h.now.Add(Settle)
	}
	h.look()
	if len(h.visits()) == 0 {
		t.Error("a file that is written to for ever is never taken")
	}
}

// Names tell the ring and the frame, where the household says how.
func TestWatchNames(t *testing.T) {
	h := newHousehold(t)
	names, err := ParseNames(`^(?P<ring>\d+)/(?P<time>\d{8}-\d{6})-(?P<frame>\d+)\.jpg$`)
	h.must(err)
	h.start(Watch{Names: names})
	h.begin()
	h.write("0007/20270203-160000-2.jpg", picture(t, 2))
	h.write("0008/20270203-160001-0.jpg", picture(t, 3))
	h.write("0007/20270203-160002-0.jpg", picture(t, 0))
	h.write("0007/other.jpg", picture(t, 4))
	h.settle()
	all := h.visits()
	if len(all) != 2 {
		t.Fatalf("%d visits, want 2", len(all))
	}
	i := slices.IndexFunc(all, func(v house.Visit) bool { return len(v.Stills) == 2 })
	if i < 0 {
		t.Fatal("no visit has two stills")
	}
	if s := all[i].Stills; s[0].Frame != 0 || s[1].Frame != 2 || !s[1].TakenAt.Equal(began) {
		t.Errorf("frames %d and %d, the latter taken at %s", s[0].Frame, s[1].Frame, s[1].TakenAt)
	}
}

// More files than a bell may send come by and by, and 16 are a ring.
func TestBounds(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	for i := range 40 {
		h.write("a"+string(rune('a'+i%26))+string(rune('a'+i/26))+".jpg", picture(t, i))
	}
	h.settle()
	h.wantFrames(16, 16)
	h.now = h.now.Add(8 * time.Second)
	h.look()
	h.wantFrames(16, 16, 8)
}

// Files go only where the household says so, and only those that were kept.
func TestRemove(t *testing.T) {
	h := newHousehold(t)
	h.start(Watch{Remove: true})
	h.begin()
	kept, refused := h.write("one.jpg", picture(t, 1)), h.write("bad.jpg", []byte("no picture, but long enough"))
	h.settle()
	h.wantFrames(1)
	if _, err := os.Stat(kept); !os.IsNotExist(err) {
		t.Errorf("a file that was kept: %v, want it gone", err)
	}
	if _, err := os.Stat(refused); err != nil {
		t.Errorf("a file that was refused: %v, want it there", err)
	}
}

// A bell that was removed rings no more, by a folder either.
func TestBellRemoved(t *testing.T) {
	h := newHousehold(t)
	h.begin()
	h.must(h.archive.RemoveBell(t.Context(), "gate"))
	h.write("one.jpg", picture(t, 1))
	h.settle()
	h.wantFrames()
}

// What the machine's own tools write is taken as it comes, with what the system tells
// and without.
//
// Outside: cp and mv (GNU coreutils), inotify(7).
func TestRun(t *testing.T) {
	for _, c := range []struct {
		name   string
		notice func(h *household) Notice
		every  time.Duration
	}{
		{"told", func(h *household) Notice { return Notify(h.watcher.log) }, time.Hour},
		{"polling", func(*household) Notice { return NoNotice{} }, 20 * time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := newHousehold(t)
			w := NewWatcher(Watch{Bell: "gate", Dir: h.dir, Gap: Gap}, h.archive, h, h.watcher.log, time.Now)
			changed, stop := h.archive.Watch()
			defer stop()
			done := make(chan struct{})
			go func() {
				defer close(done)
				w.Run(t.Context(), c.notice(h), c.every)
			}()
			t.Cleanup(func() { <-done })
			from := filepath.Join(t.TempDir(), "from.jpg")
			for i, command := range [][]string{{"cp", from, filepath.Join(h.dir, "cp.jpg")},
				{"mv", from, filepath.Join(h.dir, "mv.jpg")}} {
				h.must(os.WriteFile(from, picture(t, i), 0o644))
				if out, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
				select {
				case <-changed:
				case <-time.After(30 * time.Second):
					t.Fatalf("nothing came of %v", command)
				}
			}
			h.wantFrames(2)
		})
	}
}

// BenchmarkLook goes through a folder of 5000 old files in which nothing changed, as
// happens every few seconds.
func BenchmarkLook(b *testing.B) {
	dir := b.TempDir()
	for i := range 5000 {
		path := filepath.Join(dir, strconv.Itoa(i)+".jpg")
		if err := os.WriteFile(path, []byte("old"), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	w := NewWatcher(Watch{Bell: "gate", Dir: dir, Gap: Gap}, oldFiles{}, nil, slog.New(slog.DiscardHandler),
		func() time.Time { return began })
	w.look(b.Context())
	if s := w.Status(); s.Old != 5000 {
		b.Fatalf("%+v", s)
	}
	for b.Loop() {
		w.look(b.Context())
	}
}

// oldFiles is an archive of a folder that is watched from now on.
type oldFiles struct{ Archive }

func (oldFiles) Rules(context.Context) (house.Rules, error) { return house.DefaultRules(), nil }
func (oldFiles) FolderSince(context.Context, string, string) (time.Time, error) {
	return began.AddDate(10, 0, 0), nil
}
func (oldFiles) KnowsFile(context.Context, house.FolderFile) (bool, error) { return false, nil }
