package backup

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/internal/storetest"
	"lintel/store/seal"
)

var scaleArchive = flag.String("scale-archive", "", "the folder of an archive that BenchmarkScale of package store "+
	"made, which BenchmarkScale here backs up and adds a day's visits to")

// BenchmarkScale backs a large archive up, again while nothing changed, and once more after a
// day of twenty visits; and restores it.
func BenchmarkScale(b *testing.B) {
	if *scaleArchive == "" {
		b.Skip("-scale-archive names none")
	}
	key, err := seal.ReadKey(*scaleArchive + ".key")
	if err != nil {
		b.Fatal(err)
	}
	me, err := age.GenerateX25519Identity()
	if err != nil {
		b.Fatal(err)
	}
	a, err := store.Open(b.Context(), *scaleArchive, key, time.Now)
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	for name, recipients := range map[string][]string{"clear": nil, "encrypted": {me.Recipient().String()}} {
		dir := filepath.Join(b.TempDir(), name)
		write := func(b *testing.B, want bool) {
			began := processorTime()
			r, err := Write(b.Context(), a, dir, Options{Recipients: recipients, Keep: 3})
			if err != nil || r.Unchanged != want || r.Damaged {
				b.Fatalf("%+v, %v", r, err)
			}
			b.ReportMetric((processorTime() - began).Seconds(), "cpu-s")
			b.ReportMetric(float64(r.Written)/1e6, "MB-written")
			b.ReportMetric(float64(r.PiecesCopied), "pieces-copied")
			b.ReportMetric(float64(r.Pieces), "pieces")
			b.ReportMetric(float64(r.Copied), "stills-copied")
		}
		b.Run(name+"/first", func(b *testing.B) { write(b, false) })
		b.Run(name+"/unchanged", func(b *testing.B) { write(b, true) })
		if err := aDay(b, a, name); err != nil {
			b.Fatal(err)
		}
		b.Run(name+"/a day", func(b *testing.B) { write(b, false) })
		b.Run(name+"/restore", func(b *testing.B) {
			began := processorTime()
			r, err := Restore(b.Context(), dir, filepath.Join(b.TempDir(), "data"), RestoreOptions{Key: keyOf(key),
				Identities: []age.Identity{me}})
			if err != nil || len(r.Items) > 0 {
				b.Fatalf("%+v, %v", r, err)
			}
			b.ReportMetric((processorTime() - began).Seconds(), "cpu-s")
		})
	}
}

// aDay is twenty visits of two stills each, with a face.
func aDay(b *testing.B, a *store.Archive, name string) error {
	for i := range 40 {
		n := house.NewStill{Bell: "gate", Ring: fmt.Sprint(name, time.Now().Unix(), i/2), Frame: i % 2, Width: 1280,
			Height: 1024, JPEG: bytes.Repeat([]byte{byte(i)}, 40<<10), ReceivedAt: time.Now()}
		if _, _, err := a.Keep(b.Context(), n); err != nil {
			return err
		}
	}
	pending, err := a.PendingStills(b.Context(), 100)
	for _, s := range pending {
		err = errors.Join(err, a.Record(b.Context(), s.ID, house.Done, []house.Face{storetest.FaceOf(0.5, nil)}))
	}
	return err
}

// processorTime is what the process took so far, in user and kernel.
func processorTime() time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
