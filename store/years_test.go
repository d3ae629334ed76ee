package store

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"lintel/store/seal"
)

// oldArchive opens a copy of the database and the keys of BenchmarkScale's archive,
// without its stills' files, or skips.
func oldArchive(b *testing.B) *Archive {
	b.Helper()
	if *scaleArchive == "" {
		b.Skip("SKIPPED: say with -scale-archive where BenchmarkScale's archive is")
	}
	dir := b.TempDir()
	for _, name := range []string{"archive.db", keyFile} {
		from, err := os.Open(filepath.Join(*scaleArchive, name))
		if err != nil {
			b.Fatal(err)
		}
		to, err := os.Create(filepath.Join(dir, name))
		if err == nil {
			_, err = io.Copy(to, from)
		}
		if err = errors.Join(err, from.Close(), to.Close()); err != nil {
			b.Fatal(err)
		}
	}
	key, err := seal.ReadKey(*scaleArchive + ".key")
	if err != nil {
		b.Fatal(err)
	}
	a, err := Open(b.Context(), dir, key, time.Now)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { a.Close() })
	return a
}

// measured runs f once, and reports by the clock and in time of the processor how long
// it takes, and how long others who write wait for it at the most.
func measured(b *testing.B, a *Archive, what string, f func() error) {
	b.Helper()
	done, waited := make(chan struct{}), make(chan time.Duration)
	go func() {
		var longest time.Duration
		for {
			select {
			case <-done:
				waited <- longest
				return
			case <-time.After(5 * time.Millisecond):
			}
			began := time.Now()
			if err := a.Note(b.Context(), "looked", "visit X"); err != nil && b.Context().Err() == nil {
				b.Error(err)
			}
			longest = max(longest, time.Since(began))
		}
	}()
	cpu, began := processor(b), time.Now()
	err := f()
	took, used := time.Since(began), processor(b)-cpu
	close(done)
	longest := <-waited
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(took.Seconds(), what+"-s")
	b.ReportMetric(used.Seconds(), what+"-cpu-s")
	b.ReportMetric(longest.Seconds(), what+"-others-wait-s")
}

func processor(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// BenchmarkYears measures what an archive needs when it is old: giving back what six in
// ten of its visits took, being written anew, another master key, and the check of a
// trail of 200,000 entries, whole and what is new.
func BenchmarkYears(b *testing.B) {
	for b.Loop() {
		a := oldArchive(b)
		ctx := b.Context()
		size := func(what string) {
			n, err := a.databaseSize()
			if err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(n)/1e6, what+"-MB")
		}
		size("before")
		measured(b, a, "compact", func() error { return second(a.Compact(ctx)) })
		if err := a.Lock(); err != nil {
			b.Fatal(err)
		}
		cpu, began := processor(b), time.Now()
		if err := a.Rotate(ctx, seal.NewKey(), nil); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(time.Since(began).Seconds(), "rotate-s")
		b.ReportMetric((processor(b) - cpu).Seconds(), "rotate-cpu-s")
		err := a.update(ctx, func(tx *sql.Tx) error {
			for i := range 200_000 {
				if err := a.note(ctx, tx, "looked", fmt.Sprintf("visit %d", i)); err != nil {
					return err
				}
			}
			return second(tx.ExecContext(ctx, `DELETE FROM visits WHERE rowid % 10 < 6`))
		})
		if err == nil {
			err = a.emptyLog(ctx)
		}
		if err != nil {
			b.Fatal(err)
		}
		measured(b, a, "trail", func() error { return a.CheckWholeTrail(ctx) })
		measured(b, a, "trail-new", func() error { _, _, err := a.CheckNewTrail(ctx); return err })
		size("erased")
		measured(b, a, "shrink", func() error { return second(a.Shrink(ctx, false)) })
		size("shrunk")
	}
}
