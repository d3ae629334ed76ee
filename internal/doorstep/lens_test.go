package doorstep

import (
	"math"
	"math/rand/v2"
	"testing"

	"lintel/internal/doorstep/raster"
	"lintel/internal/python"
)

// seenAt are places before the lens, up to 75 degrees off its axis, by chance.
func seenAt(n int) []raster.Vec {
	r := rand.New(rand.NewPCG(5, 6))
	places := make([]raster.Vec, n)
	for i := range places {
		far, off, turn := 0.3+4*r.Float64(), 75*radian*r.Float64(), 2*math.Pi*r.Float64()
		aside := far * math.Sin(off)
		places[i] = raster.Vec{aside * math.Cos(turn), aside * math.Sin(turn), far * math.Cos(off)}
	}
	return places
}

// TestLensAsOpenCVHasIt compares with cv::fisheye::projectPoints.
func TestLensAsOpenCVHasIt(t *testing.T) {
	places := seenAt(200)
	question := map[string]any{"places": places, "focal": focal, "bend": bend, "x": middleX, "y": middleY}
	var answer [][2]float64
	python.Ask(t, "cv2", `
import json, sys, cv2, numpy
q = json.load(sys.stdin)
places = numpy.array([[[x, -y, z]] for x, y, z in q["places"]])
k = numpy.array([[q["focal"], 0, q["x"]], [0, q["focal"], q["y"]], [0, 0, 1]])
nothing = numpy.zeros(3)
seen, _ = cv2.fisheye.projectPoints(places, nothing, nothing, k, numpy.array([q["bend"], 0.0, 0.0, 0.0]))
json.dump(seen[:, 0].tolist(), sys.stdout)
`, question, &answer)
	for i, at := range places {
		x, y, _ := project(at)
		if math.Hypot(x-answer[i][0], y-answer[i][1]) > 1e-6 {
			t.Errorf("%v is seen at %.3f, %.3f; OpenCV has it at %.3f, %.3f", at, x, y, answer[i][0], answer[i][1])
		}
	}
}

// TestLensByHand has the model of Kannala and Brandt worked out by hand for 45 degrees to the right:
// 0.785398 * (1 - 0.03 * 0.785398^2) = 0.770864, times 664 pixels; and a rise to the same angle.
func TestLensByHand(t *testing.T) {
	for _, c := range []struct {
		at   raster.Vec
		x, y float64
	}{
		{raster.Vec{2, 0, 2}, 639.5 + 511.854, 511.5},
		{raster.Vec{0, 0.5, 0.5}, 639.5, 511.5 - 511.854},
		{raster.Vec{0, 0, 1}, 639.5, 511.5},
	} {
		if x, y, depth := project(c.at); math.Hypot(x-c.x, y-c.y) > 0.01 || depth != c.at[2] {
			t.Errorf("%v is seen at %.3f, %.3f, %v deep; want %.3f, %.3f", c.at, x, y, depth, c.x, c.y)
		}
	}
}

// TestRayGoesBack leads pixels back to the direction that they came from.
func TestRayGoesBack(t *testing.T) {
	for _, at := range seenAt(200) {
		x, y, _ := project(at)
		if off := ray(x, y).Sub(at.Unit()).Len(); off > 1e-5 {
			t.Errorf("the ray at %.1f, %.1f is %.2g off %v", x, y, off, at.Unit())
		}
	}
}
