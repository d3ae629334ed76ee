package export_test

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"log"
	"os"
	"time"

	"lintel/pipeline/export"
	"lintel/store"
	"lintel/store/seal"
)

// An archive and a person come in; a zip with all that is held of them goes out.
func ExampleBegin() {
	ctx, now := context.Background(), time.Date(2026, 11, 30, 18, 0, 0, 0, time.UTC)
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	archive, err := store.Open(ctx, dir, seal.NewKey(), func() time.Time { return now })
	if err != nil {
		log.Fatal(err)
	}
	defer archive.Close()
	if _, err := archive.AddPerson(ctx, "Ada Quill"); err != nil {
		log.Fatal(err)
	}

	e, err := export.Begin(ctx, archive, "Ada Quill", export.Options{Now: now, Zone: time.UTC})
	if err != nil {
		log.Fatal(err)
	}
	var out bytes.Buffer
	sum, err := e.Write(ctx, &out)
	if err != nil {
		log.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(e.FileName(), e.MediaType(), "visits:", sum.Visits)
	for _, f := range z.File {
		fmt.Println(f.Name)
	}
	// Output:
	// lintel-export-2026-11-30.zip application/zip visits: 0
	// data.json
	// index.html
	// SHA256SUMS
}
