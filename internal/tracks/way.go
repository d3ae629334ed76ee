package tracks

import (
	"math"
	"math/rand/v2"
	"sort"
)

// A way is where somebody is, second by second: in metres east and north of
// home's door.
type way struct {
	rand  *rand.Rand
	legs  []leg
	doors []float64
	pasts []float64 // when somebody passed the house

	// What the kind of day does to the phone.
	wrong   wrongness
	silent  bool // it sends nothing from leaving home until an hour after
	flat    bool // its battery ends on the way
	stays   bool // it is left at home
	flatAt  float64
	leftAt  float64
	cameAt  float64
	indoors []span
}

// A wrongness is how positions of a day at home are wrong by 150 to 800 metres.
type wrongness int

const (
	right   wrongness = iota
	spells            // for minutes to an hour, at one wrong place
	singles           // now and then, a fix at a time
)

type span struct{ from, to float64 }

// A leg ends at a time at a place.
type leg struct{ t, x, y float64 }

func (w *way) between(low, high float64) float64 { return low + (high-low)*w.rand.Float64() }

func (w *way) last() leg {
	if len(w.legs) == 0 {
		return leg{}
	}
	return w.legs[len(w.legs)-1]
}

func (w *way) end() float64 { return w.last().t }

// stay stays for some minutes where one is.
func (w *way) stay(minutes float64, indoors bool) {
	at := w.last()
	if len(w.legs) == 0 {
		w.legs = append(w.legs, at)
	}
	if indoors {
		w.indoors = append(w.indoors, span{at.t, at.t + 60*minutes})
	}
	w.legs = append(w.legs, leg{at.t + 60*minutes, at.x, at.y})
}

// to goes to a place, by way of corners as streets have them, with stops at some.
func (w *way) to(x, y, speed, stops float64) {
	for {
		at := w.last()
		dx, dy := x-at.x, y-at.y
		far := math.Hypot(dx, dy)
		if far < 1 {
			return
		}
		step := math.Min(far, w.between(60, 250)*math.Max(1, speed/6))
		turn := 0.0
		if far > step {
			turn = w.between(-0.5, 0.5)
		}
		a := math.Atan2(dy, dx) + turn
		if far <= step {
			a = math.Atan2(dy, dx)
		}
		pace := speed * w.between(0.8, 1.15)
		w.legs = append(w.legs, leg{at.t + step/pace, at.x + step*math.Cos(a), at.y + step*math.Sin(a)})
		if w.rand.Float64() < stops {
			w.stay(w.between(5, 40)/60, false)
		}
	}
}

// leave notes that the person leaves home, and home that they are at its door.
func (w *way) leave() { w.leftAt = w.end() }

func (w *way) home() {
	w.cameAt = w.end()
	w.doors = append(w.doors, w.end())
}

// somewhere is a place so many metres off.
func (w *way) somewhere(metres float64) (x, y float64) {
	a := w.between(0, 2*math.Pi)
	return metres * math.Cos(a), metres * math.Sin(a)
}

// at is where somebody is.
func (w *way) at(t float64) (x, y float64) {
	if w.stays && t > w.leftAt {
		t = w.leftAt
	}
	i := sort.Search(len(w.legs), func(i int) bool { return w.legs[i].t >= t })
	if i == 0 {
		return w.legs[0].x, w.legs[0].y
	}
	if i == len(w.legs) {
		return w.last().x, w.last().y
	}
	a, b := w.legs[i-1], w.legs[i]
	part := 0.0
	if b.t > a.t {
		part = (t - a.t) / (b.t - a.t)
	}
	return a.x + part*(b.x-a.x), a.y + part*(b.y-a.y)
}

func (w *way) indoor(t float64) bool {
	if w.stays && t > w.leftAt {
		return true
	}
	for _, s := range w.indoors {
		if t >= s.from && t <= s.to {
			return true
		}
	}
	return false
}
