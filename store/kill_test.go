package store_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/internal/storetest"
)

var kills = flag.Int("kills", killsInCI, "how often TestKill kills the process")

const (
	killSeed     = 20310504
	busyVariable = "LINTEL_TEST_BUSY" // the folder of a test binary that runs as the busy process
	seedVariable = "LINTEL_TEST_SEED" // and when the clock began
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(busyVariable); dir != "" {
		fmt.Fprintln(os.Stderr, beBusyUntilKilled(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// clockBegan is when the clock of the test began, for all its processes.
var clockBegan = time.Now().Round(0) // by the wall, as it is told to other processes

// fastClock makes a second four hours, so that rules of hours are due while a
// test runs.
func fastClock() time.Time {
	return time.Date(2031, 5, 4, 0, 0, 0, 0, time.UTC).Add(4 * 3600 * time.Since(clockBegan)).Truncate(time.Microsecond)
}

// killRules let everything happen to a visit within seconds.
func killRules() house.Rules {
	rules := house.DefaultRules()
	rules.Zone = "Etc/UTC"
	for _, kind := range house.Kinds {
		rules.Keep[kind] = house.Rule{Smaller: house.Period{Hours: 1}, Stills: house.Period{Hours: 2},
			Findings: house.Period{Hours: 3}}
	}
	return rules
}

// killStill is the i-th that a process of that seed keeps.
func killStill(seed, i int) house.NewStill {
	n := storetest.StillOf(fmt.Sprintf("ring-%d-%d", seed, i/2), i%2)
	n.JPEG = killPicture(seed, i)
	n.ReceivedAt = fastClock()
	return n
}

// killPicture is what that still holds, of 1 to 100 KB.
func killPicture(seed, i int) []byte {
	rnd := rand.New(rand.NewPCG(uint64(seed), uint64(i)))
	return bytes.Repeat([]byte(fmt.Sprintf("picture %d of %d ", i, seed)), 64+rnd.IntN(6400))
}

// beBusyUntilKilled does all at once that is ever done to an archive, and says
// on standard output what it has done.
func beBusyUntilKilled(dir string) error {
	ctx := context.Background()
	var seed int
	var began int64
	if _, err := fmt.Sscan(os.Getenv(seedVariable), &seed, &began); err != nil {
		return err
	}
	clockBegan = time.Unix(0, began)
	fmt.Println("opening")
	a, err := store.Open(ctx, filepath.Join(dir, "data"), storetest.Key, fastClock)
	if err != nil {
		return err
	}
	if err := a.Lock(); err != nil {
		return err
	}
	if _, err := a.Recover(ctx); err != nil {
		return err
	}
	failed := make(chan error)
	for _, work := range []func(context.Context, *store.Archive, int) error{keepStills, examineStills, sweepOften,
		eraseVisits, erasePersons, holdVisits} {
		go func() { failed <- work(ctx, a, seed) }()
	}
	go func() {
		for {
			if _, err := backup.Write(ctx, a, filepath.Join(dir, "backup"), backup.Options{Keep: 2}); err != nil {
				failed <- err
				return
			}
			fmt.Println("backed-up")
		}
	}()
	return <-failed
}

func keepStills(ctx context.Context, a *store.Archive, seed int) error {
	var began time.Time // when the ring did, whose periods count from there
	for i := 0; ; i++ {
		n := killStill(seed, i)
		if i%2 == 0 {
			began = n.ReceivedAt
		}
		visit, added, err := a.Keep(ctx, n)
		if errors.Is(err, house.ErrErased) {
			continue // between its frames
		}
		if err != nil || !added {
			return fmt.Errorf("keeping still %d: added %v, %w", i, added, err)
		}
		fmt.Printf("kept %s %d %d\n", visit, i, began.UnixMicro())
	}
}

func examineStills(ctx context.Context, a *store.Archive, seed int) error {
	rnd := rand.New(rand.NewPCG(uint64(seed), 1))
	for {
		persons, err := a.Persons(ctx)
		if err != nil {
			return err
		}
		stills, err := a.PendingStills(ctx, 20)
		if err != nil {
			return err
		}
		for _, s := range stills {
			var faces []house.Face
			for range rnd.IntN(3) {
				var m *house.Match
				if len(persons) > 0 && rnd.IntN(2) == 0 {
					m = &house.Match{Person: persons[rnd.IntN(len(persons))].ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
				}
				faces = append(faces, storetest.FaceOf(rnd.Float32(), m))
			}
			if err := a.Record(ctx, s.ID, house.Done, faces); err != nil {
				return err
			}
			if err := a.KeepSmall(ctx, s, killPicture(seed, s.Frame)); err != nil && !errors.Is(err, house.ErrNotFound) {
				return err
			}
		}
	}
}

func sweepOften(ctx context.Context, a *store.Archive, seed int) error {
	for {
		if _, err := a.Sweep(ctx, storetest.Halves); err != nil {
			return err
		}
		fmt.Println("swept")
		if err := a.FinishErasures(ctx); err != nil {
			return err
		}
	}
}

// someVisit picks one of the newest visits.
func someVisit(ctx context.Context, a *store.Archive, rnd *rand.Rand) (house.Visit, error) {
	for {
		visits, err := a.LatestVisits(ctx, 40)
		if err != nil {
			return house.Visit{}, err
		}
		if len(visits) > 0 {
			return visits[rnd.IntN(len(visits))], nil
		}
	}
}

func eraseVisits(ctx context.Context, a *store.Archive, seed int) error {
	rnd := rand.New(rand.NewPCG(uint64(seed), 2))
	for {
		v, err := someVisit(ctx, a, rnd)
		if err != nil {
			return err
		}
		fmt.Printf("erasing %s\n", v.ID)
		err = a.EraseVisit(ctx, v.ID)
		switch {
		case err == nil:
			fmt.Printf("erased %s\n", v.ID)
		case !errors.Is(err, house.ErrNotFound) && !errors.Is(err, house.ErrHeld):
			return err
		}
	}
}

func erasePersons(ctx context.Context, a *store.Archive, seed int) error {
	for i := 0; ; i++ {
		p, err := a.AddPerson(ctx, fmt.Sprintf("Tamsin Quill %d.%d", seed, i))
		if err != nil {
			return err
		}
		// In the meantime some findings name them.
		for before, err := a.Revision(ctx); ; {
			now, again := a.Revision(ctx)
			if err := errors.Join(err, again); err != nil {
				return err
			}
			if now > before+30 {
				break
			}
		}
		fmt.Printf("unnaming %s\n", p.ID)
		if _, err := a.ErasePerson(ctx, p.ID, i%3 == 0); err != nil {
			return err
		}
		fmt.Printf("unnamed %s\n", p.ID)
	}
}

func holdVisits(ctx context.Context, a *store.Archive, seed int) error {
	rnd := rand.New(rand.NewPCG(uint64(seed), 3))
	for {
		v, err := someVisit(ctx, a, rnd)
		if err != nil {
			return err
		}
		err = a.PlaceHold(ctx, v.ID, "why not", fastClock().Add(100*24*time.Hour))
		if err != nil && !errors.Is(err, house.ErrNotFound) {
			return err
		}
		if err == nil {
			fmt.Printf("held %s\n", v.ID)
		}
	}
}

// Said is what a busy process said before it was killed.
type said struct {
	kept     map[string]map[int]time.Time // by visit and number, when
	began    map[string]bool              // erasures, of visits and persons
	erased   map[string]bool
	unnamed  map[string]bool
	held     map[string]bool
	backups  int
	sweeps   int
	anything bool
}

// busy runs a busy process and kills it at a moment after it began to open the
// archive.
func busy(t *testing.T, dir string, seed int, moment time.Duration) said {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), busyVariable+"="+dir,
		fmt.Sprintf("%s=%d %d", seedVariable, seed, clockBegan.UnixNano()))
	var complaint strings.Builder
	cmd.Stderr = &complaint
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s := said{kept: make(map[string]map[int]time.Time), began: make(map[string]bool), erased: make(map[string]bool),
		unnamed: make(map[string]bool), held: make(map[string]bool)}
	// A line comes whole or not at all: pipe(7), PIPE_BUF.
	for lines := bufio.NewScanner(stdout); lines.Scan(); {
		word, rest, _ := strings.Cut(lines.Text(), " ")
		switch word {
		case "opening":
			time.AfterFunc(moment, func() { cmd.Process.Kill() })
			continue
		case "kept":
			var visit string
			var i int
			var at int64
			if _, err := fmt.Sscan(rest, &visit, &i, &at); err != nil {
				t.Fatal(err)
			}
			if s.kept[visit] == nil {
				s.kept[visit] = make(map[int]time.Time)
			}
			s.kept[visit][i] = time.UnixMicro(at)
		case "erasing", "unnaming":
			s.began[rest] = true
		case "erased":
			s.erased[rest] = true
		case "unnamed":
			s.unnamed[rest] = true
		case "held":
			s.held[rest] = true
		case "backed-up":
			s.backups++
		case "swept":
			s.sweeps++
		default:
			t.Fatalf("the busy process said %q", lines.Text())
		}
		s.anything = true
	}
	cmd.Wait()
	if status := cmd.ProcessState.Sys().(syscall.WaitStatus); status.Signal() != syscall.SIGKILL {
		t.Fatalf("the busy process ended by itself: %v\n%s", cmd.ProcessState, complaint.String())
	}
	return s
}

// TestKill kills a process with SIGKILL, at a random moment, while it takes in
// stills, examines, sweeps, makes smaller, holds, erases visits and persons,
// and backs up, all at once. Then the next start has to find everything
// that was acknowledged: stills kept, unless a rule or an erasure took them;
// held visits whole; nothing of what was erased; no row without its file and no
// file without its row; an audit trail without a gap; and a backup that can be
// restored.
//
// SIGKILL ends the process, not the kernel: a loss of power is not tested.
// More kills: go test ./store -run TestKill -kills 500.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rnd := rand.New(rand.NewPCG(killSeed, 0))
	h := &killedArchive{dir: dir, held: make(map[string]house.Stage), sums: make(map[string]int)}
	a := h.open(t)
	_, err := a.AddBell(t.Context(), "gate")
	if err := errors.Join(err, a.SetRules(t.Context(), killRules()), a.Close()); err != nil {
		t.Fatal(err)
	}
	matters := []string{"kept and there", "erased and gone", "unnamed and gone", "held and there", "smaller",
		"findings only", "backups", "half way in"}
	if *kills < 50 {
		matters = matters[:1] // more is not to be met for certain
	}
	missed := func() []string {
		return slices.DeleteFunc(slices.Clone(matters), func(what string) bool { return h.sums[what] > 0 })
	}
	// Other work on the machine changes how much is done in a while, so the
	// span of moments follows: longer after a kill before the first sweep. And
	// what matters may take more kills.
	span := 700 * time.Millisecond
	for i := 0; i < *kills || len(missed()) > 0 && i < 3**kills; i++ {
		h.all = i >= *kills-1
		said := busy(t, dir, i, time.Duration(rnd.Int64N(int64(span))))
		if said.sweeps == 0 {
			span = min(span+span/5, 6*time.Second)
		} else {
			span -= span / 10
		}
		h.check(t, said, i)
		if t.Failed() {
			t.Fatalf("after kill %d of %d", i+1, *kills)
		}
	}
	t.Logf("seed %d, %d kills at least: %v", killSeed, *kills, h.sums)
	if what := missed(); len(what) > 0 {
		t.Errorf("the kills missed what matters: %q", what)
	}
}
