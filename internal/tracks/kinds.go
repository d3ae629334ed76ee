package tracks

import "math"

// A Kind is a kind of day.
type Kind struct {
	Name string
	// Comes says that the person comes home in it, after being gone.
	Comes bool
	walk  func(*way)
}

// Kinds are all of them. Speeds are in metres a second: on foot 1.1 to 1.6, by
// bicycle 3.5 to 6, by car in town 6 to 14, by train 30 to 85.
var Kinds = []Kind{
	{"walk", true, func(w *way) { w.trip(w.between(1000, 3000), 1.35, 0.05, w.between(5, 120)) }},
	{"walk nearby", true, func(w *way) { w.trip(w.between(350, 800), 1.3, 0.05, w.between(6, 50)) }},
	{"walk with a dog", true, dogWalk},
	{"run", true, func(w *way) { w.trip(w.between(2000, 5000), 2.9, 0.02, 0.5) }},
	{"bicycle", true, func(w *way) { w.trip(w.between(1500, 7000), 4.8, 0.08, w.between(5, 400)) }},
	{"car", true, func(w *way) { w.trip(w.between(2000, 25000), 10, 0.12, w.between(5, 500)) }},
	{"car, parked away", true, parked},
	{"bus", true, func(w *way) { w.stops(w.between(2000, 9000), 7, 0.3) }},
	{"train", true, func(w *way) { w.stops(w.between(15000, 90000), 38, 0.01) }},
	{"errands", true, errands},
	{"day away, phone silent", true, func(w *way) {
		w.silent = true
		w.trip(w.between(3000, 30000), 10, 0.1, w.between(180, 600))
	}},
	{"short trip", true, func(w *way) { w.trip(w.between(1000, 1800), 8, 0.1, w.between(8, 14)) }},

	{"home all day", false, func(w *way) { w.stay(24*60, true) }},
	{"home all day, wrong for spells", false, func(w *way) { w.wrong = spells; w.stay(24*60, true) }},
	{"home all day, wrong now and then", false, func(w *way) { w.wrong = singles; w.stay(24*60, true) }},
	{"out for minutes", false, outForMinutes},
	{"phone left at home", false, func(w *way) {
		w.stays = true
		w.trip(w.between(1500, 7000), 4.8, 0.08, 60)
		w.doors = nil // none that a phone could tell
	}},
	{"phone flat", false, func(w *way) {
		w.flat = true
		w.trip(w.between(2000, 9000), 10, 0.1, w.between(60, 300))
		w.doors = nil
	}},
	{"bicycle past", false, func(w *way) { w.past(w.between(3.5, 6), w.between(8, 25)) }},
	{"drive past", false, func(w *way) { w.past(w.between(8, 14), w.between(8, 25)) }},
	{"walk past", false, func(w *way) { w.past(w.between(1.1, 1.6), w.between(8, 25)) }},
	{"train past", false, func(w *way) { w.past(w.between(30, 85), w.between(40, 200)) }},
	{"next street", false, func(w *way) { w.visit(w.between(160, 260)) }},
	{"flat 30 m off", false, func(w *way) { w.visit(30) }},
}

// begin is an hour or two at home.
func (w *way) begin() {
	w.stay(w.between(45, 120), true)
	w.leave()
}

// finish comes home and stays.
func (w *way) finish(speed, stops float64) {
	w.to(0, 0, speed, stops)
	w.home()
	w.stay(w.between(0.2, 2), false) // at the door
	w.stay(45, true)
}

func (w *way) trip(metres, speed, stops, minutes float64) {
	w.begin()
	x, y := w.somewhere(metres)
	w.to(x, y, speed, stops)
	w.stay(minutes, true)
	w.finish(speed, stops)
}

func dogWalk(w *way) {
	w.begin()
	for range 3 {
		x, y := w.somewhere(w.between(200, 600))
		w.to(x, y, 1.25, 0.3)
		w.stay(w.between(1, 4), false)
	}
	w.finish(1.25, 0.2)
}

// parked comes by car and walks the last bit.
func parked(w *way) {
	w.begin()
	x, y := w.somewhere(w.between(2000, 25000))
	w.to(x, y, 10, 0.12)
	w.stay(w.between(20, 500), true)
	x, y = w.somewhere(w.between(60, 300))
	w.to(x, y, 10, 0.12)
	w.stay(w.between(0.5, 3), false)
	w.finish(1.3, 0)
}

// stops rides and walks to and from the stop.
func (w *way) stops(metres, speed, stops float64) {
	w.begin()
	sx, sy := w.somewhere(w.between(200, 900))
	w.to(sx, sy, 1.4, 0)
	w.stay(w.between(1, 10), false)
	x, y := w.somewhere(metres)
	w.to(sx+x, sy+y, speed, stops)
	w.stay(w.between(30, 500), true)
	w.to(sx, sy, speed, stops)
	w.finish(1.4, 0.02)
}

func errands(w *way) {
	w.begin()
	for range 4 {
		x, y := w.somewhere(w.between(500, 5000))
		w.to(x, y, 8, 0.15)
		w.stay(w.between(4, 25), w.rand.IntN(2) == 0)
	}
	w.finish(8, 0.15)
}

// outForMinutes goes to the corner a few times in a day.
func outForMinutes(w *way) {
	for range 4 {
		w.begin()
		x, y := w.somewhere(w.between(40, 250))
		w.to(x, y, 1.3, 0)
		w.stay(w.between(0.5, 2), false)
		w.to(0, 0, 1.3, 0)
	}
	w.stay(45, true)
}

// past comes by the house on the way from one place far off to another.
func (w *way) past(speed, aside float64) {
	w.begin()
	a := w.between(0, 2*math.Pi)
	along := func(d float64) (x, y float64) {
		return d*math.Cos(a) - aside*math.Sin(a), d*math.Sin(a) + aside*math.Cos(a)
	}
	far := math.Max(1500, 200*speed)
	x, y := along(-far)
	w.to(x, y, math.Max(speed, 5), 0.05)
	w.stay(w.between(15, 120), true)
	x, y = along(-300)
	w.to(x, y, speed, 0.02)
	w.straight(along, -300, 0, speed)
	w.pasts = append(w.pasts, w.end())
	w.straight(along, 20, 300, speed)
	x, y = along(far)
	w.to(x, y, speed, 0.02)
	w.stay(60, true)
}

func (w *way) straight(along func(float64) (x, y float64), from, to, speed float64) {
	t := w.end()
	for d := from; d <= to; d += 20 {
		x, y := along(d)
		fx, fy := w.last().x, w.last().y
		t += math.Hypot(x-fx, y-fy) / speed
		w.legs = append(w.legs, leg{t, x, y})
	}
}

// visit comes from afar to a neighbour, and stays there for an hour.
func (w *way) visit(metres float64) {
	w.begin()
	x, y := w.somewhere(w.between(1500, 6000))
	w.to(x, y, 6, 0.1)
	w.stay(w.between(20, 200), true)
	a := math.Atan2(y, x) // on the side that one comes from
	w.to(metres*math.Cos(a), metres*math.Sin(a), 6, 0.1)
	w.stay(60, true)
}
