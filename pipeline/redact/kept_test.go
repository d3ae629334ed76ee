package redact_test

import (
	"bytes"
	"image"
	"image/jpeg"
	"reflect"
	"testing"

	"lintel/internal/doorstep"
	"lintel/internal/house"
	"lintel/pipeline/intake"
	"lintel/pipeline/redact"
)

// What comes out is a still as intake makes them: cleaning it changes no pixel.
// Outside: image/jpeg decodes both.
func TestOutputIsAStill(t *testing.T) {
	still, err := intake.Clean(doorstep.Scene{Seed: 1}.Still().JPEG(85))
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
		if err != nil || again.Damaged {
			t.Fatalf("%s: damaged: %v, %v", name, again.Damaged, err)
		}
		if before, after := decode(t, b), decode(t, again.JPEG); !reflect.DeepEqual(before, after) {
			t.Errorf("%s: cleaning changes pixels", name)
		}
		if bytes.Equal(b, still.JPEG) {
			t.Errorf("%s: nothing was done", name)
		}
	}
}

func decode(t *testing.T, still []byte) image.Image {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(still))
	if err != nil {
		t.Fatal(err)
	}
	return m
}
