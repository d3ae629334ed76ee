package intake_test

import (
	"errors"
	"fmt"
	"log"

	"lintel/internal/doorstep"
	"lintel/pipeline/intake"
)

// Bytes that a bell sent come in; a picture that is fit to keep, or why it is none, goes out. Of a JPEG that was cut
// on its way, what came through is kept.
func ExampleClean() {
	sent := doorstep.Scene{Seed: 1}.Still().JPEG(85)
	for _, body := range [][]byte{sent, sent[:len(sent)/2], []byte("GIF89a")} {
		still, err := intake.Clean(body)
		if errors.Is(err, intake.ErrNotAPicture) {
			fmt.Println("refused:", err)
			continue
		}
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%d x %d pixels, damaged: %v\n", still.Size.X, still.Size.Y, still.Damaged)
	}
	// Output:
	// 1280 x 1024 pixels, damaged: false
	// 1280 x 1024 pixels, damaged: true
	// refused: the still is not a picture that can be read: neither JPEG nor PNG, it begins with "GIF89a"
}
