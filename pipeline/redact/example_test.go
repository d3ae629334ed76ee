package redact_test

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"log"

	"lintel/internal/house"
	"lintel/pipeline/redact"
)

// A still and a mask come in, and a still goes out that was never anything but black there.
func ExampleMask() {
	grey := image.NewGray(image.Rect(0, 0, 320, 240))
	for i := range grey.Pix {
		grey.Pix[i] = 180
	}
	still, err := redact.Encode(grey)
	if err != nil {
		log.Fatal(err)
	}

	neighbours := house.Polygon{{X: 0.5, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0.5, Y: 1}}
	masked, err := redact.Mask(still, []house.Polygon{neighbours})
	if err != nil {
		log.Fatal(err)
	}

	seen, err := jpeg.Decode(bytes.NewReader(masked))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("the path:", seen.At(80, 120), "the neighbours' garden:", seen.At(240, 120))
	// Output:
	// the path: {180} the neighbours' garden: {0}
}

// A still comes in, and one goes out whose longer side is at most so many pixels.
func ExampleShrink() {
	still, err := redact.Encode(image.NewGray(image.Rect(0, 0, 1280, 1024)))
	if err != nil {
		log.Fatal(err)
	}
	_, width, height, err := redact.Shrink(still, 320)
	fmt.Println(width, height, err)
	// Output:
	// 320 256 <nil>
}
