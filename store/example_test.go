package store_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log"
	"os"
	"time"

	"lintel/internal/house"
	"lintel/store"
	"lintel/store/seal"
)

// Somebody rings at the gate. Their still comes in, and is read back.
func Example() {
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "archive")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)

	archive, err := store.Open(ctx, dir, seal.NewKey(), time.Now)
	if err != nil {
		log.Fatal(err)
	}
	defer archive.Close()
	if _, err := archive.AddBell(ctx, "gate"); err != nil {
		log.Fatal(err)
	}

	sent := []byte("a JPEG picture")
	visit, added, err := archive.Keep(ctx, house.NewStill{
		Bell: "gate", Ring: "monday-1", Frame: 0,
		SentSHA256: sha256.Sum256(sent), JPEG: sent, Width: 640, Height: 480,
		ReceivedAt: time.Now(),
	})
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("added:", added)

	jpeg, err := archive.ReadStill(ctx, visit, 0)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("read back: %s\n", jpeg)

	v, err := archive.Visit(ctx, visit)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s, ring %s, %d still, %s\n", v.Bell, v.Ring, len(v.Stills), v.Stills[0].State)
	// Output:
	// added: true
	// read back: a JPEG picture
	// gate, ring monday-1, 1 still, pending
}
