package storetest

import (
	"crypto/sha256"
	"fmt"
	"image"
	"math"
	"testing"

	"lintel/internal/house"
)

// StillOf returns a frame for the bell "gate". The store looks at no picture,
// so any bytes do.
func StillOf(ring string, frame int) house.NewStill {
	sent := fmt.Sprintf("sent: %s, frame %d", ring, frame)
	return house.NewStill{
		Bell: "gate", Ring: ring, Frame: frame,
		SentSHA256: sha256.Sum256([]byte(sent)),
		JPEG:       []byte("kept: " + sent),
		Width:      640, Height: 480,
		ReceivedAt: began,
	}
}

// Keep keeps a still that is not there yet, and returns its visit.
func Keep(t *testing.T, a Archive, n house.NewStill) string {
	t.Helper()
	visit, added, err := a.Keep(t.Context(), n)
	if err != nil || !added {
		t.Fatalf("keeping %s, frame %d: added %v, %v", n.Ring, n.Frame, added, err)
	}
	return visit
}

// FaceOf returns a face that is another's for each seed.
func FaceOf(seed float32, m *house.Match) house.Face {
	f := house.Face{
		Box:       image.Rect(100, 50, 180, 130),
		Landmarks: []house.Point{{X: 110.5, Y: 70}, {X: 125, Y: 70.25}, {X: 150, Y: 71}, {X: 165, Y: 71}, {X: 138, Y: 95}},
		Match:     m,
		ImageHash: house.ImageHash(math.Float64bits(float64(seed) * math.Pi)),
	}
	for i := range f.Descriptor {
		f.Descriptor[i] = seed + float32(i)/1000
	}
	return f
}

// Halves stands in for the picture work of making stills smaller, of which the
// store knows nothing.
func Halves(jpeg []byte) ([]byte, int, int, error) { return jpeg[:len(jpeg)/2], 320, 240, nil }
