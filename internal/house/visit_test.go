package house

import (
	"image"
	"math"
	"testing"
	"time"
)

// faceOf returns a face whose descriptor is 128 numbers near seed.
func faceOf(seed float32, m *Match) Face {
	f := Face{
		Box:       image.Rect(100, 50, 180, 130),
		Landmarks: []Point{{X: 110.5, Y: 70}, {X: 125, Y: 70.25}, {X: 150, Y: 71}, {X: 165, Y: 71}, {X: 138, Y: 95}},
		Match:     m,
		ImageHash: ImageHash(math.Float64bits(float64(seed) * math.Pi)),
	}
	for i := range f.Descriptor {
		f.Descriptor[i] = seed + float32(i)/1000
	}
	return f
}

func TestClockSkew(t *testing.T) {
	at := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	still := func(ahead time.Duration) Still { return Still{ReceivedAt: at, TakenAt: at.Add(ahead)} }
	for name, test := range map[string]struct {
		stills []Still
		want   time.Duration
	}{
		"the bell never said": {[]Still{{ReceivedAt: at}}, 0},
		"right":               {[]Still{still(0)}, 0},
		"slow":                {[]Still{still(-time.Hour)}, -time.Hour},
		"fast":                {[]Still{still(time.Minute)}, time.Minute},
		"by the one that most": {[]Still{still(time.Second), {ReceivedAt: at}, still(-time.Minute),
			still(30 * time.Second)},
			-time.Minute},
	} {
		if got := (Visit{Stills: test.stills}).ClockSkew(); got != test.want {
			t.Errorf("%s: %v, want %v", name, got, test.want)
		}
	}
}
