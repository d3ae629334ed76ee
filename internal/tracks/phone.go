package tracks

import (
	"math"
	"slices"
)

// A Habit is when a phone sends what.
type Habit struct {
	Name  string
	Every float64 // seconds between reports; 0 for none by the clock
	Moved float64 // metres after which it reports; 0 for none
	Cross bool    // it says when it left and entered
	Batch float64 // seconds for which reports are gathered; 0 where each goes at once
}

// Habits are all of them.
var Habits = []Habit{
	{Name: "each minute", Every: 60},
	{Name: "each 5 minutes", Every: 300},
	{Name: "each 15 minutes", Every: 900},
	{Name: "each 30 minutes", Every: 1800},
	{Name: "crossings", Cross: true},
	{Name: "crossings, each 15 minutes", Cross: true, Every: 900},
	{Name: "crossings, each 500 m", Cross: true, Moved: 500},
	{Name: "crossings, each minute", Cross: true, Every: 60},
	{Name: "each minute, sent each 15", Every: 60, Batch: 900},
}

type sent struct {
	heard, at, x, y, accuracy float64
	crossing                  string
}

// A phone goes along a way, a second at a time.
type phone struct {
	Habit
	*way
	skew float64 // of its clock
	sent []sent

	noise    noise
	radius   float64 // of its own circle
	inside   bool    // of that, as it believes
	doubtful int     // fixes in a row that say otherwise
	waiting  []sent  // for the network, or for a batch
	offline  bool    // there is no network near home but the home's own
	joined   float64 // when it joined that
	next     float64 // when it reports by the clock
	rx, ry   float64 // where it reported last
	batched  float64
	slept    float64 // since when it did not measure
}

func newPhone(h Habit, w *way) *phone {
	p := &phone{Habit: h, way: w, radius: []float64{100, 100, 150, 200}[w.rand.IntN(4)], inside: true,
		next: w.between(0, 1) * h.Every, offline: w.rand.Float64() < 0.2}
	p.skew = 4 * w.rand.NormFloat64()
	if w.rand.Float64() < 0.05 {
		p.skew = w.between(-100, 100)
	}
	p.noise.init(w)
	if w.flat {
		w.flatAt = w.between(w.leftAt+600, w.cameAt)
	}
	return p
}

// run goes the whole way.
func (p *phone) run() {
	for t := 0.0; t < p.end(); t += 5 {
		if p.flat && t >= p.flatAt {
			return
		}
		p.noise.move(p.way, t, 5)
		p.network(t)
		if p.Every > 0 && t >= p.next {
			p.next += p.Every * p.between(0.95, 1.05)
			p.report(t, "")
		}
		if p.Moved > 0 && int(t)%30 == 0 {
			if x, y := p.at(t); math.Hypot(x-p.rx, y-p.ry) >= p.Moved {
				p.rx, p.ry = x, y
				p.report(t, "")
			}
		}
		if p.Cross && int(t)%20 == 0 {
			p.watch(t)
		}
	}
	p.flush(p.end())
}

// watch is the phone's own circle: two or three fixes in a row make a crossing,
// which it tells some time later.
func (p *phone) watch(t float64) {
	x, y, accuracy := p.noise.fix(p.way, t)
	d := math.Hypot(x, y)
	says := d < p.radius
	if accuracy > 150 || says == p.inside || p.inside && d < p.radius+30 {
		p.doubtful = 0
		return
	}
	if p.doubtful++; p.doubtful < 2 && p.rand.Float64() < 0.8 {
		return
	}
	p.doubtful = 0
	p.inside = says
	if p.rand.Float64() < 0.04 {
		return // it never says so
	}
	crossing, late := "left", p.between(5, 200)
	if says {
		crossing, late = "entered", p.between(0, 90)
		if p.rand.Float64() < 0.3 {
			late = p.between(60, 180)
		}
	}
	p.report(t, crossing)
	// What it sends bears the time of the crossing or that of the sending.
	if n := len(p.waiting); n > 0 && p.waiting[n-1].crossing == crossing {
		p.waiting[n-1].heard += late
		return
	}
	last := &p.sent[len(p.sent)-1]
	for i := len(p.sent) - 1; i >= 0; i-- {
		if last = &p.sent[i]; last.crossing == crossing {
			break
		}
	}
	last.heard += late
	if p.rand.IntN(2) == 0 {
		last.at += late
		fx, fy, fa := p.noise.fix(p.way, t+late)
		last.x, last.y, last.accuracy = fx, fy, fa
	}
}

// report sends where the phone is, by a fresh fix.
func (p *phone) report(t float64, crossing string) {
	x, y, accuracy := p.noise.fix(p.way, t)
	if p.silent && t > p.leftAt && t < p.cameAt-p.between(1, 300) && crossing == "" && t > p.leftAt+1800 {
		return
	}
	s := sent{heard: t, at: t, x: x, y: y, accuracy: accuracy, crossing: crossing}
	if t-p.slept > 600 && p.rand.Float64() < 0.1 { // the first fix after a while
		dx, dy := p.somewhere(p.between(80, 500))
		s.x, s.y = s.x+dx, s.y+dy
		if p.rand.IntN(3) > 0 {
			s.accuracy = math.Hypot(dx, dy) * p.between(0.6, 2)
		}
	}
	p.slept = t
	s.accuracy = math.Min(math.Max(s.accuracy, 3), 3000)
	if s.accuracy > 1000 {
		return // phones can be told to leave these out
	}
	if p.Batch > 0 || !p.connected(t) {
		p.waiting = append(p.waiting, s)
		return
	}
	p.send(s, t)
}

// send sends one message.
func (p *phone) send(s sent, t float64) {
	if p.rand.Float64() < 0.02 {
		if s.crossing == "" {
			return // lost
		}
	}
	s.heard = math.Max(s.heard, t) + p.rand.ExpFloat64()*2
	if p.rand.Float64() < 0.02 {
		s.heard += p.between(10, 90) // others overtake it
	}
	p.sent = append(p.sent, s)
	if p.rand.Float64() < 0.02 {
		s.heard += p.between(1, 30)
		p.sent = append(p.sent, s)
	}
}

// connected is whether there is a network: some homes are where only their own
// reaches.
func (p *phone) connected(t float64) bool {
	x, y := p.at(t)
	return !p.offline || math.Hypot(x, y) > 120 || p.joined > 0 && t >= p.joined
}

// network joins the home's own some time after coming in reach of it, and sends
// what waits.
func (p *phone) network(t float64) {
	x, y := p.at(t)
	near := math.Hypot(x, y) < 25
	switch {
	case !near:
		p.joined = 0
	case p.joined == 0:
		p.joined = t + p.between(5, 60)
	}
	if len(p.waiting) == 0 || !p.connected(t) {
		return
	}
	if p.Batch == 0 || t >= p.batched+p.Batch {
		p.batched = t
		p.flush(t)
	}
}

func (p *phone) flush(t float64) {
	late := p.rand.ExpFloat64() * 2
	for _, s := range p.waiting { // as one
		s.heard = math.Max(s.heard, t) + late
		p.sent = append(p.sent, s)
	}
	p.waiting = slices.Delete(p.waiting, 0, len(p.waiting))
}
