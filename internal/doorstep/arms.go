package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// pose lets the arms hang, or leads the hands to what they hold.
func (m *modeller) pose(v Visitor) {
	for _, side := range []string{"l", "r"} {
		shoulder, elbow := m.body.Middle("joint-"+side+"-shoulder"), m.body.Middle("joint-"+side+"-elbow")
		hand := m.body.Middle("joint-" + side + "-hand")
		out := math.Copysign(1, shoulder[0])
		is := arm{elbow, hand}
		to, holds := m.holds(v, out)
		if holds {
			to = m.eyes().Add(to.Times(1 / m.who.stature))
		} else {
			to = shoulder.Add(raster.Vec{0.11 * out, -0.99 * (elbow.Sub(shoulder).Len() + hand.Sub(elbow).Len()), 0.03})
		}
		m.swing(shoulder, is, is.reaching(shoulder, to, out), out)
	}
}

// swing moves an arm from where it is, and bends what is near its joints.
func (m *modeller) swing(shoulder raster.Vec, is, to arm, out float64) {
	upper := bringing(shoulder, is.elbow.Sub(shoulder), to.elbow.Sub(shoulder))
	back := bringing(raster.Vec{}, to.elbow.Sub(shoulder), is.elbow.Sub(shoulder))
	// The forearm is turned first, then the whole arm.
	fore := bringing(is.elbow, is.hand.Sub(is.elbow), back(to.hand.Sub(to.elbow)))
	along := is.elbow.Sub(shoulder).Unit()
	for _, name := range []string{"clothes", "hands", "skin"} {
		p := m.body.Parts[name]
		for i := p.First; i < p.End; i++ {
			at, rest := m.body.Points[i], m.body.Rest[i]
			if rest[0]*out < 0.13+0.8*max(0, 0.45-rest[1]) {
				continue // chest and hips stay
			}
			bent := at.Mix(fore(at), rise(at.Sub(is.elbow).Dot(along), -0.03, 0.03))
			swings := rise(at.Sub(shoulder).Dot(raster.Vec{out, -0.6, 0}.Unit()), -0.05, 0.05)
			m.body.Points[i] = at.Mix(upper(bent), swings)
		}
	}
}

// eyes are the middle between them on the body.
func (m *modeller) eyes() raster.Vec {
	left, right := m.body.Middle("joint-l-eye"), m.body.Middle("joint-r-eye")
	return left.Mix(right, 0.5).Add(raster.Vec{0, 0, 0.012})
}

// holds is where the wrist of the arm on the left (-1) or right (1) of the picture goes, in metres from
// the eyes: to the right, up, and towards who looks.
func (m *modeller) holds(v Visitor, out float64) (to raster.Vec, holds bool) {
	switch {
	case v.Shows.As != Nothing:
		s := v.Shows.sheet()
		if s.medium == Phone && out > 0 {
			return to, false // one hand is enough
		}
		eyes := v.eyesOf((m.eyes()[1] - m.body.Middle("joint-ground")[1]) * m.who.stature)
		// The fingers are behind the sheet.
		wrist := raster.Vec{out * (s.width/2 + 0.02), s.eyes - 0.9*s.height, -0.17}
		if s.medium == Phone {
			wrist = raster.Vec{out * (s.width/2 + 0.01), s.eyes - s.height, -0.15}
		}
		return outward(s.before(eyes).Sub(eyes)).Add(wrist), true
	case v.Carrying:
		return parcelAt.Add(raster.Vec{out * 0.13, -parcelSize[1]/2 + 0.02, -0.09}), true
	}
	return to, false
}

// An arm is bent at its elbow.
type arm struct{ elbow, hand raster.Vec }

// reaching is the arm as it reaches for a place: its parts keep their lengths, the elbow goes down and outwards.
func (a arm) reaching(shoulder, to raster.Vec, out float64) arm {
	upper, fore := a.elbow.Sub(shoulder).Len(), a.hand.Sub(a.elbow).Len()
	way := to.Sub(shoulder)
	far := min(max(way.Len(), 1.05*math.Abs(upper-fore)), 0.99*(upper+fore))
	way = way.Unit()
	along := (upper*upper - fore*fore + far*far) / (2 * far)
	down := raster.Vec{0.6 * out, -1, -0.3}
	down = down.Sub(way.Times(down.Dot(way))).Unit()
	aside := math.Sqrt(max(0, upper*upper-along*along))
	return arm{shoulder.Add(way.Times(along)).Add(down.Times(aside)), shoulder.Add(way.Times(far))}
}

// bringing turns places about a point, the shortest way that brings one direction to another.
func bringing(about, from, to raster.Vec) func(raster.Vec) raster.Vec {
	from, to = from.Unit(), to.Unit()
	axis := from.Cross(to)
	sin, cos := axis.Len(), from.Dot(to)
	axis = axis.Unit()
	return func(at raster.Vec) raster.Vec {
		r := at.Sub(about)
		return about.Add(r.Times(cos)).Add(axis.Cross(r).Times(sin)).Add(axis.Times(axis.Dot(r) * (1 - cos)))
	}
}
