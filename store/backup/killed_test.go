package backup

import (
	"context"
	"crypto/rand"
	"errors"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"lintel/store"
)

// backupSteps are the steps of a backup between which a process may be killed.
var backupSteps = []string{
	"database copied", "still copied", "stills copied", "piece written", databaseFile + " written", keysFile + " written",
	saltFile + " written", "snapshot written", "erasures written", "snapshot in its place", "erased stills removed",
	"keys dropped", "snapshot removed", "stills removed", "pieces removed", "remembered",
}

const (
	killedBackup = "LINTEL_TEST_KILLED_BACKUP" // the archive, the folder of backups and the step, one a line
	killedKeep   = 2
)

// TestKilledBackupProcess is the process that TestKilledBackup kills.
func TestKilledBackupProcess(t *testing.T) {
	work := strings.Split(os.Getenv(killedBackup), "\n")
	if len(work) != 3 {
		return
	}
	a, err := store.Open(t.Context(), work[0], testKey, newClock().Now)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Write(t.Context(), a, work[1], Options{Keep: killedKeep, step: func(step string) error {
		if step == work[2] {
			return syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
		return nil
	}})
	t.Fatalf("it was not killed: %v", err)
}

// At every step a process that backs up is killed with SIGKILL: the
// newest snapshot of before can be restored, and the next backup succeeds.
func TestKilledBackup(t *testing.T) {
	t.Parallel()
	a, _, _ := furnished(t)
	dir := t.TempDir()
	var made []string
	come := func() { // what is in the next snapshot, and to go from the one after
		made = nil
		for range 2 {
			made = append(made, keep(t, a, stillOf("killed-"+rand.Text(), 0)))
		}
	}
	for range killedKeep {
		come()
		mustBackup(t, a, dir, Options{Keep: killedKeep})
	}
	for _, step := range backupSteps {
		must(t, errors.Join(removeByRule(t, a, made[0]), a.EraseVisit(t.Context(), made[1])))
		come()
		before := entries(t, filepath.Join(dir, snapshotsDir))
		cmd := exec.Command(os.Args[0], "-test.run=^TestKilledBackupProcess$")
		cmd.Env = append(os.Environ(), killedBackup+"="+strings.Join([]string{a.Dir(), dir, step}, "\n"))
		said, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
			t.Fatalf("%s: %v\n%s", step, err, said)
		}
		after := entries(t, filepath.Join(dir, snapshotsDir))
		// Copies of what was erased are gone once a snapshot does without them.
		gone := slices.Index(backupSteps, step) >= slices.Index(backupSteps, "erased stills removed")
		into := filepath.Join(t.TempDir(), "restored")
		_, err = Restore(t.Context(), dir, into, RestoreOptions{
			Key: keyOf(testKey), Snapshot: before[len(before)-1], RespectErasures: gone, Now: newClock().Now,
		})
		if err != nil {
			t.Errorf("killed at %q: %v", step, err)
		} else {
			openArchive(t, into, newClock()) // checked for soundness when the test ends
		}
		if !slices.Contains(after, before[len(before)-1]) {
			t.Errorf("killed at %q: snapshots %q became %q", step, before, after)
		}
		if r := mustBackup(t, a, dir, Options{Keep: killedKeep}); r.Lost > 0 {
			t.Errorf("after being killed at %q: %+v", step, r)
		}
	}
}

// At every step a backup that fails leaves the snapshots and no loose ends.
func TestFailedBackup(t *testing.T) {
	t.Parallel()
	a, _, visits := furnished(t)
	dir := t.TempDir()
	mustBackup(t, a, dir, Options{})
	for i, step := range backupSteps[:7] {
		keep(t, a, stillOf("failing-"+strconv.Itoa(i), 0))
		before := contents(t, filepath.Join(dir, snapshotsDir))
		broken := errors.New("the disk is gone")
		ctx, cancel := context.WithCancel(t.Context())
		_, err := Write(ctx, a, dir, Options{step: func(s string) error {
			if s != step {
				return nil
			}
			if i%2 == 0 {
				return broken
			}
			cancel()
			return nil
		}})
		cancel()
		if !errors.Is(err, broken) && !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v", step, err)
		}
		if !maps.Equal(contents(t, filepath.Join(dir, snapshotsDir)), before) || exists(filepath.Join(dir, incomingDir)) {
			t.Errorf("%s: left %q", step, entries(t, dir))
		}
	}
	if r := mustBackup(t, a, dir, Options{}); r.Stills != 13 {
		t.Errorf("in the end: %+v", r)
	}
	if _, err := a.Visit(t.Context(), visits[0]); err != nil {
		t.Error(err)
	}
}
