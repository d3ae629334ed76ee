package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lintel/internal/supplies"
)

// mainly is set in a process of its own, to the arguments of a command line.
const mainly = "LINTEL_TEST_MAIN"

// TestMainProcess is that process, with main and its signals, and passes in any other.
func TestMainProcess(t *testing.T) {
	if args := os.Getenv(mainly); args != "" {
		os.Args = append([]string{"lintel"}, strings.Split(args, "\n")...)
		main()
	}
}

// A shown demo is one in a process of its own, with a home, a folder of temporary
// files and a working folder that it may share with others.
type shownDemo struct {
	t       *testing.T
	process *exec.Cmd
	lines   chan string // that it says, closed at its end
	heard   []string    // of these
}

// A place is where demos run.
type place struct{ temporary, home, work string }

func newPlace(t *testing.T) place {
	p := place{t.TempDir(), t.TempDir(), t.TempDir()}
	write(t, filepath.Join(p.work, "data", "archive.db"), "somebody's own")
	write(t, filepath.Join(p.home, ".config", "lintel", "master.key"), "somebody's own")
	return p
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(text), 0o600)); err != nil {
		t.Fatal(err)
	}
}

// has lists all that is there, with its sizes and times.
func (p place) has(t *testing.T) (all []string) {
	t.Helper()
	for _, dir := range []string{p.temporary, p.home, p.work} {
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || path == dir {
				return err
			}
			info, err := d.Info()
			if err == nil && !d.IsDir() {
				path += " " + info.ModTime().String()
			}
			all = append(all, path)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// demoArgs are those of a demo on any port that is free.
func demoArgs(t *testing.T, more ...string) string {
	args := []string{"demo", "--listen", "127.0.0.1:0", "--models", supplies.NeedModels(t)}
	return strings.Join(append(args, more...), "\n")
}

func (p place) demo(t *testing.T, before ...string) *shownDemo {
	t.Helper()
	words := append(before, os.Args[0], "-test.run=^TestMainProcess$")
	d := &shownDemo{t: t, process: exec.Command(words[0], words[1:]...), lines: make(chan string, 1000)}
	d.process.Dir = p.work
	d.process.Env = append(os.Environ(), mainly+"="+demoArgs(t), "TMPDIR="+p.temporary, "HOME="+p.home,
		"XDG_CONFIG_HOME=", "LINTEL_DATA="+filepath.Join(p.work, "data"))
	out, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	d.process.Stdout, d.process.Stderr = in, in
	if err := d.process.Start(); err != nil {
		t.Fatal(err)
	}
	in.Close()
	var reading sync.WaitGroup
	reading.Go(func() {
		defer close(d.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			d.lines <- s.Text()
		}
	})
	t.Cleanup(func() {
		d.process.Process.Kill() // fails where it has ended
		for range d.lines {
		}
		reading.Wait()
		out.Close()
		d.process.Wait()
	})
	return d
}

// says waits for a line, and returns it.
func (d *shownDemo) says(text string, patience time.Duration) string {
	d.t.Helper()
	late := time.NewTimer(patience)
	defer late.Stop()
	for {
		select {
		case line, ok := <-d.lines:
			if d.heard = append(d.heard, line); strings.Contains(line, text) {
				return line
			}
			if ok {
				continue
			}
		case <-late.C:
		}
		d.t.Fatalf("it never said %q:\n%s", text, strings.Join(d.heard, "\n"))
	}
}

// plays waits until the demo's archive is there, and returns its folder.
func (d *shownDemo) plays(p place, known ...string) (folder string) {
	d.t.Helper()
	poll, late := time.NewTicker(20*time.Millisecond), time.NewTimer(time.Minute)
	defer poll.Stop()
	defer late.Stop()
	for {
		all, err := filepath.Glob(filepath.Join(p.temporary, demoPrefix+"*", "archive", "stills"))
		if err != nil {
			d.t.Fatal(err)
		}
		for _, stills := range all {
			if folder = filepath.Dir(filepath.Dir(stills)); !slices.Contains(known, folder) {
				return folder
			}
		}
		select {
		case <-poll.C:
		case <-late.C:
			d.t.Fatal("no archive after a minute")
		}
	}
}

// ends ends it by a signal, and returns its exit status, -1 for one that was killed.
func (d *shownDemo) ends(how os.Signal) int {
	d.t.Helper()
	if err := d.process.Process.Signal(how); err != nil {
		d.t.Fatal(err)
	}
	for line := range d.lines {
		d.heard = append(d.heard, line)
	}
	d.process.Wait() // fails by the signal
	return d.process.ProcessState.ExitCode()
}

// TestDemoLeavesNothing ends demos while they play the past: asked to, and killed.
func TestDemoLeavesNothing(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: processes that open the models, again and again")
	}
	p := newPlace(t)
	others := []string{"lintel-demo-of-mine/notes", "lintel-demo-full/archive/archive.db", "lintel-other/demo.lock"}
	for _, other := range others {
		write(t, filepath.Join(p.temporary, other), "somebody's own")
	}
	shared := filepath.Join(p.temporary, "lintel-demo-shared")
	write(t, filepath.Join(shared, demoLock), "")
	if err := os.Chmod(shared, 0o755); err != nil { // no demo's folder has that mode
		t.Fatal(err)
	}
	before := p.has(t)

	for _, how := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		d := p.demo(t)
		folder := d.plays(p)
		if info, err := os.Stat(folder); err != nil || info.Mode().Perm() != 0o700 {
			t.Errorf("others may look into its folder: %v, %v", info.Mode(), err)
		}
		if status := d.ends(how); status != exitRight {
			t.Errorf("%s: status %d:\n%s", how, status, strings.Join(d.heard, "\n"))
		}
		if after := p.has(t); !slices.Equal(after, before) {
			t.Errorf("%s left other than there was:\n%s", how, strings.Join(after, "\n"))
		}
	}

	killed := p.demo(t)
	left := killed.plays(p)
	runs := p.demo(t) // removes nothing of one that runs
	folder := runs.plays(p, left)
	if status := killed.ends(os.Kill); status != -1 {
		t.Errorf("killed, with status %d", status)
	}
	if _, err := os.Stat(filepath.Join(left, "archive", "archive.db")); err != nil {
		t.Errorf("nothing is left to remove: %v", err)
	}
	next := p.demo(t)
	next.says("Removed what a demo left that was killed: "+left, time.Minute)
	if _, err := os.Stat(filepath.Join(folder, "archive", "archive.db")); err != nil {
		t.Errorf("a demo that runs has lost its archive: %v", err)
	}
	next.plays(p, folder)
	for _, d := range []*shownDemo{next, runs} {
		if status := d.ends(os.Interrupt); status != exitRight {
			t.Errorf("status %d:\n%s", status, strings.Join(d.heard, "\n"))
		}
	}
	if after := p.has(t); !slices.Equal(after, before) {
		t.Errorf("in the end there is other than there was:\n%s", strings.Join(after, "\n"))
	}
}

// TestDemoFolder breaks demos' folders off where a kill may.
func TestDemoFolder(t *testing.T) {
	in := t.TempDir()
	var said bytes.Buffer
	g := &globals{stderr: &said}
	there := func() []string {
		all, err := filepath.Glob(filepath.Join(in, "*"))
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	// Before it had its lock.
	if err := os.Mkdir(filepath.Join(in, demoPrefix+"1"), 0o700); err != nil {
		t.Fatal(err)
	}
	// While it was removed: all is gone but the lock.
	write(t, filepath.Join(in, demoPrefix+"2", demoLock), "")
	runs, err := newDemoFolder(in)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := lockDemo(runs.path, 0); !errors.Is(err, errDemoRuns) {
		t.Errorf("locked twice: %v", err)
	}
	removeLeft(g, in)
	if all := there(); !slices.Equal(all, []string{runs.path}) {
		t.Errorf("there is %q beside %s:\n%s", all, runs.path, said.String())
	}
	// A link that leads elsewhere is followed neither as a folder nor as a lock.
	elsewhere := t.TempDir()
	write(t, filepath.Join(elsewhere, "precious"), "")
	write(t, filepath.Join(elsewhere, demoLock), "")
	linked := filepath.Join(in, demoPrefix+"3")
	err = errors.Join(os.Symlink(elsewhere, filepath.Join(in, demoPrefix+"4")), os.Mkdir(linked, 0o700),
		os.Symlink(filepath.Join(elsewhere, demoLock), filepath.Join(linked, demoLock)))
	if err != nil {
		t.Fatal(err)
	}
	removeLeft(g, in)
	if _, err := os.Stat(filepath.Join(elsewhere, "precious")); err != nil || len(there()) != 3 {
		t.Errorf("%v, with %q", err, there())
	}
	if err := runs.remove(); err != nil || len(there()) != 2 {
		t.Errorf("%v, with %q", err, there())
	}
}

// TestPlayedClock sets the clock days ahead and lets it go, which nothing that compares
// clocks may take for a jump.
func TestPlayedClock(t *testing.T) {
	began := time.Now().AddDate(0, 0, -14)
	c := newPlayedClock(began)
	differs := func() time.Duration {
		return (c.Now().Round(0).Sub(began.Round(0)) - c.elapsed()).Abs()
	}
	at := began.Add(36 * time.Hour)
	c.Set(at)
	if !c.Now().Equal(at.Round(0)) || differs() != 0 || c.goes() {
		t.Errorf("set to %s, it is %s, and both clocks differ by %s", at, c.Now(), differs())
	}
	c.Set(began)
	if !c.Now().Equal(at.Round(0)) {
		t.Errorf("it went back to %s", c.Now())
	}
	c.letGo()
	if since := time.Since(c.Now()).Abs(); since > time.Second || differs() > 100*time.Millisecond || !c.goes() {
		t.Errorf("it goes %s late, and both clocks differ by %s", since, differs())
	}
}

func TestDemoWrongly(t *testing.T) {
	for _, pace := range []string{"0", "-1", "100", "NaN"} {
		status, out, complaint := lintelAt(t, "demo", "--pace="+pace)
		if status != exitUsage || out != "" || !strings.Contains(complaint, "--pace") {
			t.Errorf("%s: status %d, %q %q", pace, status, out, complaint)
		}
	}
	empty := t.TempDir()
	t.Setenv("TMPDIR", t.TempDir())
	status, _, complaint := lintelAt(t, "demo", "--models", empty)
	left, err := os.ReadDir(os.TempDir())
	if status != exitFailed || !strings.Contains(complaint, "lintel models fetch") || len(left) > 0 || err != nil {
		t.Errorf("status %d, %q, left %v, %v", status, complaint, left, err)
	}
	t.Setenv("TMPDIR", filepath.Join(t.TempDir(), "missing"))
	if status, _, complaint := lintelAt(t, "demo", "--models", supplies.NeedModels(t)); status != exitFailed ||
		!strings.Contains(complaint, "folder") {
		t.Errorf("status %d, %q", status, complaint)
	}
}

// TestServeOffersDemo has the server tell of the demo only where nothing is known yet.
func TestServeOffersDemo(t *testing.T) {
	h := newHousehold(t)
	offers := func() bool {
		var out bytes.Buffer
		a, _, err := (&globals{Data: h.data, keyFlags: keyFlags{Key: h.key}, ctx: t.Context(), stderr: io.Discard}).recover(
			slog.New(slog.DiscardHandler), time.Now)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		if err := offerDemo(t.Context(), &out, a); err != nil {
			t.Fatal(err)
		}
		return strings.Contains(out.String(), "lintel demo")
	}
	if !offers() {
		t.Error("a new house hears nothing of the demo")
	}
	h.lintel("person", "add", "Ada Quill")
	if offers() {
		t.Error("a house with persons is offered the demo")
	}
}
