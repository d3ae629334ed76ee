// Command mutants asks whether tests see both sides of a boundary: it makes changes of
// one character or word in a package, a < that becomes a <= or a 30 that becomes a 31,
// and runs the package's tests with each. A change that none notices is a survivor.
//
//	go run ./internal/mutants -seed 2 -sample 10 ./internal/house ./store:retention.go,holds.go
//
// A package may name the files that are changed. As many changes as -sample says are
// drawn of each package; the same seed draws the same of the same code. What is changed is
// laid over the file (`go help build`, -overlay), so that none is touched. Each change is
// judged by the tests that run its function, the quick ones first.
//
// The changes are the operators ROR, COR, AOR and UOD of P. Ammann and J. Offutt,
// Introduction to Software Testing (from memory), and whole numbers one up or down; in SQL as
// in Go, since half of the archive's bounds are there.
package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"strings"
)

func main() {
	seed := flag.Uint64("seed", 1, "draw the changes by this `number`")
	sample := flag.Int("sample", 10, "make so `many` changes in each package")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, *seed, *sample, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
}

// run judges changes in each package, and prints a table of them and the survivors.
func run(ctx context.Context, seed uint64, sample int, packages []string) error {
	dir, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	if err := os.Setenv("TMPDIR", dir); err != nil { // tests that are stopped leave folders
		return err
	}
	var survivors []mutant
	all := 0
	fmt.Println("| package | places | changed | noticed |\n| --- | --- | --- | --- |")
	for _, p := range packages {
		path, files, _ := strings.Cut(p, ":")
		found, err := mutantsIn(path, files)
		if err != nil {
			return fmt.Errorf("looking for changes in %s: %w", path, err)
		}
		j, err := newJudge(ctx, dir, path)
		if err != nil {
			return fmt.Errorf("measuring the tests of %s: %w", path, err)
		}
		made, before := 0, len(survivors)
		for _, i := range rand.New(rand.NewPCG(seed, uint64(len(found)))).Perm(len(found)) {
			if made == sample {
				break
			}
			built, noticed, err := j.judge(ctx, found[i])
			if err != nil {
				return fmt.Errorf("judging a change in %s: %w", path, err)
			}
			if built {
				made++
			}
			if built && !noticed {
				survivors = append(survivors, found[i])
				fmt.Fprintln(os.Stderr, found[i]) // it takes a while
			}
		}
		all += made
		fmt.Printf("| %s | %d | %d | %d |\n", p, len(found), made, made-len(survivors)+before)
	}
	fmt.Printf("\nseed %d: %d of %d noticed, %.0f %%; survivors:\n\n", seed, all-len(survivors), all,
		100*float64(all-len(survivors))/float64(max(all, 1)))
	for _, m := range survivors {
		fmt.Println(m)
	}
	return nil
}
