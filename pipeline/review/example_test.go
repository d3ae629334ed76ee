package review_test

import (
	"context"
	"fmt"
	"image"
	"log"
	"os"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
	"lintel/store"
	"lintel/store/seal"
)

// Somebody rings whom Lintel takes for Ada, and is not sure. A resident says yes,
// and has the face kept as a reference.
func Example() {
	ctx := context.Background()
	dir, err := os.MkdirTemp("", "lintel")
	check(err)
	defer os.RemoveAll(dir)
	archive, err := store.Open(ctx, dir, seal.Key{1}, time.Now)
	check(err)
	defer archive.Close()
	gallery := match.NewCurrent(archive)
	r := review.New(archive, gallery, time.Now)

	consent := house.Consent{GivenBy: "Ada Quill", GivenAt: time.Now(), Scope: "the door"}
	reference := house.Reference{Descriptor: house.Descriptor{1}, FaceWidth: 200}
	_, err = archive.Introduce(ctx, "Ada Quill", consent, []house.Reference{reference})
	check(err)
	rings(ctx, archive, gallery, house.Descriptor{1.42})

	page, _, err := r.Queue(ctx, review.Cursor{}, 20)
	check(err)
	for _, d := range page {
		fmt.Printf("Is this %s? A %s match, at distance %.2f.\n", d.Name, d.Band, d.Distance)
	}
	kept, err := r.Answer(ctx, page[0].ID, review.Given{Answer: house.AnswerYes, Reference: true})
	check(err)
	fmt.Println("The reference:", kept)

	page, _, err = r.Queue(ctx, review.Cursor{}, 20)
	check(err)
	fmt.Println("Still in doubt:", len(page))
	changes, err := r.Changes(ctx)
	check(err)
	fmt.Println("Past findings that would be others now:", len(changes))

	// Output:
	// Is this Ada Quill? A fair match, at distance 0.42.
	// The reference: added
	// Still in doubt: 0
	// Past findings that would be others now: 0
}

// rings stands for what package pipeline does with a ring.
func rings(ctx context.Context, archive *store.Archive, gallery *match.Current, d house.Descriptor) {
	_, err := archive.AddBell(ctx, "gate")
	check(err)
	visit, _, err := archive.Keep(ctx, house.NewStill{
		Bell: "gate", Ring: "R1", JPEG: []byte("a still"), Width: 640, Height: 480, ReceivedAt: time.Now(),
	})
	check(err)
	v, err := archive.Visit(ctx, visit)
	check(err)
	g, err := gallery.Gallery(ctx)
	check(err)
	faces := []house.Face{{Box: image.Rect(200, 100, 320, 220), Descriptor: d}}
	g.IdentifyRing([][]house.Face{faces})
	check(archive.Record(ctx, v.Stills[0].ID, house.Done, faces))
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
