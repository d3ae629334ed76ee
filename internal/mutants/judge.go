package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/tools/cover"
)

// patience is for a test by itself, and quick for one of those that go first.
const (
	patience = 20 * time.Second
	quick    = time.Second
)

// A test is a function that tests, with how long that takes and what it runs.
type test struct {
	name  string
	takes time.Duration
	runs  []*cover.Profile
}

// A judge has the tests of a package.
type judge struct {
	dir, path string // of what it builds, and of the package
	tests     []test // the quick ones first
}

// newJudge measures what each test runs. One that fails by itself, or takes too long, judges nothing.
func newJudge(ctx context.Context, dir, path string) (*judge, error) {
	j := &judge{dir: dir, path: path}
	binary, profile := filepath.Join(dir, "covered"), filepath.Join(dir, "profile")
	if err := j.build(ctx, binary, "-cover"); err != nil {
		return nil, err
	}
	list := exec.CommandContext(ctx, binary, "-test.list", "^(Test|Fuzz|Example)")
	list.Dir = path
	names, err := list.Output()
	if err != nil {
		return nil, fmt.Errorf("listing its tests: %w", err)
	}
	for _, name := range strings.Fields(string(names)) {
		begun := time.Now()
		if j.run(ctx, binary, patience, name, "-test.coverprofile", profile) != nil {
			continue
		}
		t := test{name: name, takes: time.Since(begun)}
		if t.runs, err = cover.ParseProfiles(profile); err != nil {
			return nil, fmt.Errorf("reading what %s runs: %w", name, err)
		}
		j.tests = append(j.tests, t)
	}
	slices.SortStableFunc(j.tests, func(a, b test) int { return cmp.Compare(a.takes, b.takes) })
	return j, ctx.Err()
}

// build builds the tests.
func (j *judge) build(ctx context.Context, binary string, how ...string) error {
	out, err := exec.CommandContext(ctx, "go", append(append([]string{"test", "-c", "-vet=off", "-o", binary}, how...),
		j.path)...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("building its tests: %w\n%s", err, out)
	}
	return nil
}

// run runs those of some names until one fails, or for so long.
func (j *judge) run(ctx context.Context, binary string, limit time.Duration, names string, args ...string) error {
	cmd := exec.CommandContext(ctx, binary, append(args, "-test.short", "-test.failfast", "-test.timeout", limit.String(),
		"-test.run", "^("+names+")$")...)
	cmd.Dir, cmd.WaitDelay = j.path, time.Second
	return cmd.Run()
}

// judge builds the tests with a change, which the compiler may refuse, and reports whether one of those that run its
// function notices it.
func (j *judge) judge(ctx context.Context, m mutant) (built, noticed bool, err error) {
	src, err := os.ReadFile(m.file)
	if err != nil {
		return false, false, err
	}
	src = slices.Concat(src[:m.at], []byte(m.new), src[m.at+len(m.old):])
	changed, overlay := filepath.Join(j.dir, "changed.go"), filepath.Join(j.dir, "overlay.json")
	replace, err := json.Marshal(map[string]map[string]string{"Replace": {m.file: changed}})
	if err := errors.Join(err, os.WriteFile(changed, src, 0o600), os.WriteFile(overlay, replace, 0o600)); err != nil {
		return false, false, err
	}
	binary := filepath.Join(j.dir, "mutant")
	if err := j.build(ctx, binary, "-overlay", overlay); err != nil {
		return false, false, ctx.Err()
	}
	for _, slow := range []bool{false, true} {
		limit, names := 10*time.Second, []string{}
		for _, t := range j.tests {
			if t.takes > quick == slow && t.ran(m) {
				limit, names = limit+4*t.takes, append(names, t.name)
			}
		}
		if len(names) > 0 && j.run(ctx, binary, limit, strings.Join(names, "|")) != nil {
			return true, true, ctx.Err()
		}
	}
	return true, false, ctx.Err()
}

// ran reports whether the test runs something of the function that is changed; of a package's constant,
// each may.
func (t test) ran(m mutant) bool {
	return m.from == 0 || slices.ContainsFunc(t.runs, func(p *cover.Profile) bool {
		return filepath.Base(p.FileName) == filepath.Base(m.file) &&
			slices.ContainsFunc(p.Blocks, func(b cover.ProfileBlock) bool {
				return b.Count > 0 && m.from <= b.StartLine && b.EndLine <= m.to
			})
	})
}
