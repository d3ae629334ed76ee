package liveness

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"lintel/store"
)

// A picture is a plane, so all that is on it goes from one frame to another by
// one homography, however it is turned. A head is not: its nose lies some 20 mm
// before its eyes and its ears some 80 mm behind, so a turn of a degree moves
// them against each other by 0.3 and 1.4 mm. And what is behind a head does not
// go with it at all.
//
// Small squares of the face are found again on the other frame, to a fraction
// of a pixel, and so is how well each is known: the noise of the luma times the
// inverse of the square's structure tensor, as least squares has it, and what
// following is off by apart from noise (trackError). The noise is measured on
// the bell's own background, which stays where it is. A homography is fitted to
// n squares by least squares. If they are of one plane, the sum of squares of
// what is left, in standard deviations, is from a chi-square of 2n - 8 degrees
// of freedom, and by degree of freedom, with a noise that was measured on m
// blocks, about from Fisher's F with (2n - 8, m) ([onePlane]).
//
// The hypothesis tested is “one plane”. It is rejected where as much would be
// left by chance once in a hundred rings (falseAlarm, shared out among the pairs
// of frames of a ring, as Bonferroni does). A rejection speaks for a head. No
// rejection is a sign only if there was something to reject: the face moved
// clearly, and what is around it, where a person's background would have
// stayed, went with it. How small a turn shows at which size is in
// MEASUREMENTS.md.
//
// Assumptions: errors are normal and independent from square to square, which
// do not overlap; the bell is fixed; paper is flat (bent paper is taken for a
// head, and is left to what moves together). A face that only moves sideways
// looks like a plane by itself, and then what is around it decides.

// falseAlarm is how often points of one plane are taken for another thing.
const falseAlarm = 0.01

// A planeTest is what became of the hypothesis that points are of one plane.
type planeTest struct {
	homography homography
	left       float64 // the mean square of what is left, by degree of freedom
	bound      float64 // what it would exceed by chance with falseAlarm
}

// rejected reports whether the points are not of one plane.
func (p planeTest) rejected() bool { return p.left > p.bound }

// onePlane tests whether dots are of one plane. The scale of their covariances
// was measured with so many degrees of freedom. The hypothesis is rejected for
// as many as alarm of those that are. The error is errNoPlane if there are fewer
// than five, or they lie on a line.
func onePlane(dots []dot, degrees int, alarm float64) (planeTest, error) {
	h, err := fitHomography(dots)
	if err != nil {
		return planeTest{}, err
	}
	free := 2*len(dots) - 8
	if free < 2 || degrees < 1 {
		return planeTest{}, errNoPlane
	}
	f := distuv.F{D1: float64(free), D2: float64(degrees)}
	return planeTest{h, h.sum(dots) / float64(free), f.Quantile(1 - alarm)}, nil
}

func measurePlane(t *track) store.Finding {
	if t.why != "" {
		return missing(t.why)
	}
	var best store.Finding
	found, moved := false, false
	for i := range t.moves {
		m := &t.moves[i]
		if m.far < leastMove {
			continue
		}
		moved = true
		// One pair of frames that is not a plane speaks against a picture
		// whatever the others show.
		if f, ok := m.planar(falseAlarm / float64(len(t.moves))); ok && (!found || f.Values[0] > best.Values[0]) {
			best, found = f, true
		}
	}
	switch {
	case !moved:
		return missing(Still)
	case !found:
		return missing(Plain)
	}
	if a := t.around(); a.asked < fewestBlocks {
		best.Score *= alone
	} else {
		best.Score *= ramp(a.share, 0.1, 0.4)
	}
	return best
}

// alone is how much a face that moved as a plane says where nothing can be seen
// of what is around it: it may be a head that only moved sideways.
const alone = 0.4

// trackError is the standard deviation in pixels of a glance of what following
// a square is off by apart from noise: interpolation, shading that changes, the
// blocks of JPEG.
const trackError = 0.07

// planar looks whether a face moved as a plane. The nearer to being rejected,
// the less of a sign it is. It is not ok where there is too little to follow.
func (m *move) planar(alarm float64) (store.Finding, bool) {
	dots := m.dots()
	test, err := onePlane(dots, max(m.still, fewestStill), alarm)
	if err != nil {
		return store.Finding{}, false
	}
	ratio := test.left / test.bound
	return store.Finding{Score: ramp(ratio, 1.2, 0.4), Values: []float64{ratio, m.far * glanceScale, float64(len(dots))}}, true
}

// dots follows squares of the face.
func (m *move) dots() (dots []dot) {
	r := m.reach()
	face := discOf(m.face, 1.15)
	for y := max(m.face.Min.Y, 1) + r; y <= min(m.face.Max.Y, m.from.h-2-r); y += 2*r + 1 {
		for x := max(m.face.Min.X, 1+r); x <= min(m.face.Max.X, m.from.w-2-r); x += 2*r + 1 {
			if d, ok := m.dotAt(x, y, r); ok && face.holds(d.x, d.y) {
				dots = append(dots, d)
			}
		}
	}
	return dots
}

// dotAt follows a square of the face, if it shows enough.
func (m *move) dotAt(x, y, r int) (dot, bool) {
	b := blockAt(m.from, x, y, r)
	if b.weakest() < 12*m.noise*b.size() {
		return dot{}, false
	}
	u, v, left := b.trace(m.from, m.to, m.shift, 2)
	if left > 0.5*b.vary {
		return dot{}, false
	}
	// The covariance: that of noise, and trackError.
	det := b.xx*b.yy - b.xy*b.xy
	noise := m.noise * m.jitter / det
	cuu, cuv, cvv := noise*b.yy, -noise*b.xy, noise*b.xx
	cuu, cvv = cuu+trackError*trackError, cvv+trackError*trackError
	det = cuu*cvv - cuv*cuv
	return dot{float64(x), float64(y), u, v, cvv / det, -cuv / det, cuu / det}, true
}

var planeWords = words{
	name: "Everything moves as on one flat thing",
	says: func(f store.Finding) string {
		return fmt.Sprintf("Eyes, nose and what is around them moved by up to %.0f pixels as if they were on one flat thing. A head has depth, and would have shown it or moved before what is behind it.", math.Ceil(value(f, 1)))
	},
}
