package tracks

import "math"

// A noise is how far positions are off, which changes over minutes.
type noise struct {
	x, y   float64 // of ordinary error, in deviations
	spread float64 // of the phone, by itself
	claims float64 // what it says of its accuracy, by the truth

	// Of a day with wrong positions.
	wx, wy, until float64
	believed      float64 // accuracy that it claims meanwhile, 0 for the truth
}

func (n *noise) init(w *way) {
	n.spread = w.between(0.7, 1.4)
	n.claims = w.between(0.7, 1.8)
	n.x, n.y = w.rand.NormFloat64(), w.rand.NormFloat64()
}

// deviation is that of positions, in metres.
func (n *noise) deviation(w *way, t float64) float64 {
	if w.indoor(t) {
		return 16 * n.spread
	}
	return 7 * n.spread
}

// move lets time pass: the error forgets itself over one to eight minutes.
func (n *noise) move(w *way, t, dt float64) {
	tau := 60.0
	if w.indoor(t) {
		tau = 480
	}
	keep := math.Exp(-dt / tau)
	fresh := math.Sqrt(1 - keep*keep)
	n.x = keep*n.x + fresh*w.rand.NormFloat64()
	n.y = keep*n.y + fresh*w.rand.NormFloat64()
	if w.wrong == spells {
		n.spell(w, t)
	}
}

// spell begins and ends wrong places: some eight in a day, of two minutes to an
// hour.
func (n *noise) spell(w *way, t float64) {
	if t < n.until {
		return
	}
	n.wx, n.wy, n.believed = 0, 0, 0
	if w.rand.Float64() < 5.0/(3*3600) {
		n.wx, n.wy = w.somewhere(w.between(150, 800))
		n.until = t + 60*math.Exp(w.between(math.Log(2), math.Log(60)))
		n.believed = w.between(15, 90)
		if w.rand.IntN(3) == 0 {
			n.believed = math.Hypot(n.wx, n.wy) * w.between(0.7, 1.6)
		}
	}
}

// fix measures.
func (n *noise) fix(w *way, t float64) (x, y, accuracy float64) {
	x, y = w.at(t)
	d := n.deviation(w, t)
	x, y = x+d*n.x+2*w.rand.NormFloat64(), y+d*n.y+2*w.rand.NormFloat64()
	accuracy = d * n.claims * w.between(0.8, 1.5) * 1.2
	if w.indoor(t) && w.rand.Float64() < 0.15 {
		accuracy *= w.between(2, 8)
	}
	if w.wrong == singles && w.rand.Float64() < 0.25 {
		dx, dy := w.somewhere(w.between(150, 800))
		return x + dx, y + dy, w.between(15, 150)
	}
	if n.believed > 0 {
		return x + n.wx, y + n.wy, n.believed * w.between(0.8, 1.2)
	}
	return x, y, accuracy
}
