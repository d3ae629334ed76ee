package quality

import (
	"image"
	"testing"

	"lintel/internal/house"
)

// BenchmarkMeasure measures faces on a decoded still of the bell's size.
func BenchmarkMeasure(b *testing.B) {
	still := image.NewYCbCr(image.Rect(0, 0, 1280, 1024), image.YCbCrSubsampleRatio420)
	for i := range still.Y {
		still.Y[i] = uint8(i * i >> 3)
	}
	for _, c := range []struct {
		name string
		wide int
	}{{"40px", 40}, {"140px", 140}, {"400px", 400}, {"800px", 800}} {
		b.Run(c.name, func(b *testing.B) {
			f := faceAt(house.Point{X: 640, Y: 400}, .42*float64(c.wide), 4)
			f.Box = image.Rect(0, 0, c.wide, c.wide)
			b.ReportAllocs()
			for b.Loop() {
				Judge(Measure(still, f))
			}
		})
	}
}
