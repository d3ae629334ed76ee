package backup_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/backup"
	"lintel/store/seal"
)

// An archive is backed up and lost, and comes back from the backup. The master
// key is kept elsewhere.
func Example() {
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "backup")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	here, disk, restored := filepath.Join(dir, "here"), filepath.Join(dir, "disk"), filepath.Join(dir, "restored")

	master := seal.NewKey()
	archive, err := store.Open(ctx, here, master, time.Now)
	if err != nil {
		log.Fatal(err)
	}
	if _, err := archive.AddBell(ctx, "gate"); err != nil {
		log.Fatal(err)
	}
	still := house.NewStill{Bell: "gate", Ring: "monday-1", JPEG: []byte("a JPEG picture"), ReceivedAt: time.Now()}
	visit, _, err := archive.Keep(ctx, still)
	if err != nil {
		log.Fatal(err)
	}
	for range 2 {
		r, err := backup.Write(ctx, archive, disk, backup.Options{})
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%d still, %d copied, unchanged: %v\n", r.Stills, r.Copied, r.Unchanged)
	}
	archive.Close()
	os.RemoveAll(here)

	key := func(string) (seal.Key, error) { return master, nil }
	if _, err := backup.Restore(ctx, disk, restored, backup.RestoreOptions{Key: key}); err != nil {
		log.Fatal(err)
	}
	if archive, err = store.Open(ctx, restored, master, time.Now); err != nil {
		log.Fatal(err)
	}
	defer archive.Close()
	jpeg, err := archive.ReadStill(ctx, visit, 0)
	fmt.Printf("%s, %v\n", jpeg, err)
	// Output:
	// 1 still, 1 copied, unchanged: false
	// 1 still, 0 copied, unchanged: true
	// a JPEG picture, <nil>
}
