package redact_test

import (
	"bytes"
	"image"
	"os"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/pipeline/redact"
)

// What comes out is a still as intake makes them: cleaning it changes no byte.
func TestOutputIsAStill(t *testing.T) {
	sent, err := os.ReadFile("../../testdata/doorstep.jpg")
	if err != nil {
		t.Fatal(err)
	}
	still, err := intake.Clean(sent)
	if err != nil {
		t.Fatal(err)
	}
	masked, err := redact.Mask(still.JPEG, []house.Polygon{{{X: 0, Y: 0}, {X: 0.2, Y: 0}, {X: 0.3, Y: 1}, {X: 0, Y: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	blurred, err := redact.Blur(still.JPEG, []image.Rectangle{image.Rect(560, 300, 720, 460)})
	if err != nil {
		t.Fatal(err)
	}
	small, _, _, err := redact.Shrink(still.JPEG, 640)
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"masked": masked, "blurred": blurred, "small": small} {
		again, err := intake.Clean(b)
		if err != nil || again.Damaged || !bytes.Equal(again.JPEG, b) {
			t.Errorf("%s: cleaning makes %d bytes of %d, %v", name, len(again.JPEG), len(b), err)
		}
		if bytes.Equal(b, still.JPEG) {
			t.Errorf("%s: nothing was done", name)
		}
	}
}
