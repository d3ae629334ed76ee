package policy

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"time"

	"lintel/internal/house"
)

// Dice choose one of n, 0 to n-1: from a seed, or from what a fuzzer tries.
type dice func(n int) int

func seeded(seed uint64) dice { return rand.New(rand.NewPCG(seed, 2026)).IntN }

// bytesOf chooses by bytes, and 0 once they are used up.
func bytesOf(data []byte) dice {
	return func(n int) int {
		if len(data) == 0 {
			return 0
		}
		b := data[0]
		data = data[1:]
		return int(b) % n
	}
}

func pick[T any](roll dice, all ...T) T { return all[roll(len(all))] }

// A draw makes odd values of what it is given, rarely.
type draw struct {
	roll dice
	rare int
}

func (d draw) odd() bool { return d.roll(d.rare) == 1 }

var oddMoments = []time.Time{evening, {}, evening.Add(-time.Minute), evening.Add(time.Minute),
	evening.Add(-48 * time.Hour), time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC), time.Unix(math.MaxInt64, 0),
	time.Unix(math.MinInt64, 0)}

func (d draw) moment(was time.Time) time.Time {
	if d.odd() {
		return pick(d.roll, oddMoments...)
	}
	return was
}

func (d draw) number(was float64) float64 {
	if d.odd() {
		return pick(d.roll, was, 0, math.NaN(), math.Inf(1), math.Inf(-1), -was, 1e-300, 1, 2)
	}
	return was
}

func (d draw) count(was int) int {
	if d.odd() {
		return pick(d.roll, was, 0, 1, 2, 3, -1, math.MaxInt, math.MinInt)
	}
	return was
}

func (d draw) text(was string) string {
	if d.odd() {
		return pick(d.roll, was, "", "porch", ada, ben, "strong", "fair", "weak", "\xff\x00")
	}
	return was
}

func (d draw) length(was time.Duration) time.Duration {
	if d.odd() {
		return pick(d.roll, was, 0, -1, math.MaxInt64, math.MinInt64, time.Minute)
	}
	return was
}

func (d draw) person() string { return pick(d.roll, ada, ada, ada, ben, cy, "") }

// drawn makes an input of odd values, near enough to a good one that it is
// suggested in some; most are as in good, the first choice of each.
func drawn(roll dice) Input {
	d := draw{roll, pick(roll, 24, 60, 200)}
	in := good()
	in.Now = d.moment(in.Now)
	in.Zone = pick(roll, berlin, berlin, berlin, berlin, time.UTC, nil)
	d.visit(&in)
	d.door(&in)
	d.house(&in)
	d.likeness(&in)
	for range roll(4) {
		in.Rules = append(in.Rules, d.rule())
	}
	for range roll(5) {
		in.Factors = append(in.Factors, d.factor())
	}
	if d.odd() {
		in.Factors = nil
	}
	for range roll(3) {
		in.Parcels = append(in.Parcels, house.ParcelRule{ID: d.text("parcel"), Door: pick(roll, front, side),
			From: d.moment(evening.Add(-time.Hour)), To: d.moment(evening.Add(time.Hour)), Window: d.length(time.Minute),
			UsedBy: pick(roll, "", "", "a1")})
	}
	return in
}

func (d draw) visit(in *Input) {
	v := &in.Visit
	v.ID, v.Bell, v.ReceivedAt = d.text(v.ID), d.text(v.Bell), d.moment(v.ReceivedAt)
	if d.roll(2) == 1 {
		joinedBy(in, d.person())
	}
	if d.odd() {
		v.Stills = v.Stills[:d.roll(2)]
	}
	for i := range v.Stills {
		s := &v.Stills[i]
		s.ReceivedAt, s.TakenAt, s.Damaged, s.Lost = d.moment(s.ReceivedAt), d.moment(s.TakenAt), d.odd(), d.odd()
		s.State = house.StillState(d.text(string(s.State)))
		for k := range s.Faces {
			d.face(&s.Faces[k])
		}
	}
}

func (d draw) face(f *house.Face) {
	for _, v := range []*float64{&f.Match.Distance, &f.Match.FPIR, &f.Match.Probability, &f.Liveness.Probability,
		&f.Quality.EyeDistance, &f.Quality.PixelsPerMetre, &f.Quality.Sharpness, &f.Quality.Luma, &f.Quality.Clipped,
		&f.Quality.Contrast, &f.Quality.Yaw, &f.Quality.Roll, &f.Quality.Occlusion, &f.Quality.Cut} {
		if d.roll(3) == 1 {
			*v = d.number(*v)
		}
	}
	f.Match.Band, f.Match.Frames, f.Liveness.Frames = d.text(f.Match.Band), d.count(f.Match.Frames),
		d.count(f.Liveness.Frames)
	if d.roll(4) == 1 {
		f.Match.Band, f.Match.FPIR = "fair", 5e-4
	}
	if d.roll(8) == 1 {
		f.Liveness.Level = pick(d.roll, house.Doubtful, house.Picture, "")
	}
	if d.odd() {
		f.Liveness.CantTell = []string{pick(d.roll, "one-frame", "dark", "")}
	}
	if d.odd() {
		pick(d.roll, func() { f.Match = nil }, func() { f.Liveness = nil }, func() { f.Quality = nil },
			func() { f.Descriptor = house.Descriptor{} })()
	}
}

// door draws the door, its bell and the clock.
func (d draw) door(in *Input) {
	in.Door.ID, in.Door.Bell, in.Door.Parcel = d.text(in.Door.ID), d.text(in.Door.Bell), d.roll(2) == 1
	if d.odd() {
		in.Bells = nil
	}
	if d.odd() {
		in.Bell.RefusedAt = pick(d.roll, oddMoments...)
	}
	if d.odd() {
		in.Clock.JumpedAt = pick(d.roll, oddMoments...)
	}
}

// house draws what the household decided, and what was missed. Some of it, or of
// the bell, the clock and the persons, is not known.
func (d draw) house(in *Input) {
	h := in.House
	h.Paused, h.Window, h.Expiry, h.Wait = d.odd(), d.length(h.Window), d.length(h.Expiry), d.length(h.Wait)
	h.Misses = d.count(h.Misses)
	h.ParcelsWhileAway = d.roll(2) == 1
	if d.roll(8) == 1 {
		h.AwayUntil = pick(d.roll, oddMoments...)
	}
	for range d.roll(4) {
		in.Misses = append(in.Misses, house.Miss{At: evening.Add(-time.Duration(d.roll(200)) * time.Minute),
			Whom: d.person(), By: pick(d.roll, "", "source phone-p-ada", "source pad")})
	}
	if d.odd() {
		pick(d.roll, func() { in.Bell = nil }, func() { in.Clock = nil }, func() { in.House = nil },
			func() { in.Misses = nil }, func() { in.Alike = nil }, func() { in.Persons = nil })()
	}
}

func (d draw) likeness(in *Input) {
	if in.Alike != nil && d.roll(4) == 1 {
		in.Alike[d.person()] = []string{d.person()}
	}
}

func (d draw) rule() house.DoorRule {
	r := ruleFor(pick(d.roll, "r1", "r2", "r3", ""), d.person())
	r.Door, r.Holidays, r.Need = d.text(r.Door), d.roll(2) == 1, d.count(pick(d.roll, 1, 2))
	r.Band, r.Liveness, r.CantTell = pick(d.roll, "strong", "fair"), pick(d.roll, house.NoSign, house.Doubtful),
		d.roll(2) == 1
	r.From, r.To = d.count(pick(d.roll, 0, 420, 1080)), d.count(pick(d.roll, 1440, 1200, 60))
	if d.roll(8) == 1 {
		r.Allowed = false
	}
	return r
}

func (d draw) factor() house.Factor {
	f := pick(d.roll, arrival, code)(pick(d.roll, "f1", "f2", "f3", ""), d.person())
	if d.roll(2) == 1 {
		f.Kind = pick(d.roll, house.FactorArrival, house.FactorCode, house.FactorToken, house.FactorResident, "")
		f.Visit = pick(d.roll, "v1", "", "v0")
	}
	f.At, f.Until, f.Strength, f.Source, f.UsedBy = d.moment(f.At), d.moment(f.Until), d.number(f.Strength),
		d.text(f.Source), pick(d.roll, "", "", "", "a1")
	return f
}

// doubts are ways in which less is known, or less well. roll says of what.
var doubts = map[string]func(*Input, dice){
	"a factor goes": func(in *Input, roll dice) {
		if n := len(in.Factors); n > 0 {
			k := roll(n)
			in.Factors = slices.Delete(slices.Clone(in.Factors), k, k+1)
		}
	},
	"a factor is used": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.UsedBy = "a9" })
	},
	"a factor is a bell's": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.Source = "porch" })
	},
	"a factor is over": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.Until = in.Now })
	},
	"a factor is to come": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.At = in.Now.Add(1) })
	},
	"a factor is nobody's": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.Person = "" })
	},
	"a factor has no strength": func(in *Input,
		roll dice) {
		oneOf(in.Factors, roll, func(f *house.Factor) { f.Strength = math.NaN() })
	},
	"bells are not known": func(in *Input, _ dice) { in.Bells = nil },
	"a stranger joins": func(in *Input, roll dice) {
		oneOf(in.Visit.Stills, roll, func(s *house.Still) { s.Faces = append(s.Faces, house.Face{}) })
	},
	"somebody without a rule joins": func(in *Input, roll dice) {
		oneOf(in.Visit.Stills, roll, func(s *house.Still) { s.Faces = append(s.Faces, faceOf("p-dee", 1)) })
	},
	"a still waits": func(in *Input, roll dice) {
		oneOf(in.Visit.Stills, roll, func(s *house.Still) { s.State = house.Pending })
	},
	"a still is damaged": func(in *Input,
		roll dice) {
		oneOf(in.Visit.Stills, roll, func(s *house.Still) { s.Damaged = true })
	},
	"a face has no match": func(in *Input, roll dice) {
		oneFace(in, roll, func(f *house.Face) { f.Match = nil })
	},
	"a face was not looked at": func(in *Input, roll dice) {
		oneFace(in, roll,
			func(f *house.Face) { f.Liveness = nil })
	},
	"a face was not measured": func(in *Input, roll dice) { oneFace(in, roll, func(f *house.Face) { f.Quality = nil }) },
	"a face has no descriptor": func(in *Input, roll dice) {
		oneFace(in, roll, func(f *house.Face) { f.Descriptor = house.Descriptor{} })
	},
	"a match is less sure": func(in *Input,
		roll dice) {
		oneFace(in, roll, func(f *house.Face) { editMatch(f, lessSure) })
	},
	"a sign is plainer":      func(in *Input, roll dice) { oneFace(in, roll, plainer) },
	"it can't be told":       func(in *Input, roll dice) { oneFace(in, roll, cantTell) },
	"a number is none":       func(in *Input, roll dice) { spoil(in, roll, math.NaN()) },
	"a number has no end":    func(in *Input, roll dice) { spoil(in, roll, math.Inf(1)) },
	"the house is not known": func(in *Input, _ dice) { in.House = nil },
	"misses are not known":   func(in *Input, _ dice) { in.Misses = nil },
	"the bell is not known":  func(in *Input, _ dice) { in.Bell = nil },
	"the bell is not well": func(in *Input, _ dice) {
		if in.Bell != nil {
			in.Bell.Ailing = append(in.Bell.Ailing, house.Spell{Ailment: house.BellMoved, Since: in.Now})
		}
	},
	"the clock is not known": func(in *Input, _ dice) { in.Clock = nil },
	"likeness is not known":  func(in *Input, _ dice) { in.Alike = nil },
	"persons are not known":  func(in *Input, _ dice) { in.Persons = nil },
	"rules are not known":    func(in *Input, _ dice) { in.Rules = nil },
	"parcels are not known":  func(in *Input, _ dice) { in.Parcels = nil },
	"the zone is not known":  func(in *Input, _ dice) { in.Zone = nil },
	"the time is not known":  func(in *Input, _ dice) { in.Now = time.Time{} },
	"the visit is nobody's":  func(in *Input, _ dice) { in.Visit.Bell = "" },
	"the stills are gone":    func(in *Input, _ dice) { in.Visit.Stills = nil },
	"the door is not known":  func(in *Input, _ dice) { in.Door = house.Door{} },
	"it is an hour later":    func(in *Input, _ dice) { in.Visit.ReceivedAt = in.Visit.ReceivedAt.Add(-time.Hour) },
	"another miss": func(in *Input, roll dice) {
		whom := pick(roll, ada, ben)
		for range 3 {
			miss(in, house.Miss{At: in.Now.Add(-time.Duration(roll(900)) * time.Second), Whom: whom})
		}
	},
	"a source misses often": func(in *Input, roll dice) {
		for range 4 {
			miss(in, house.Miss{At: in.Now.Add(-time.Duration(roll(600)) * time.Second), Whom: cy, By: "source phone-" + ada})
		}
	},
	"a bell does not say its time": func(in *Input, roll dice) {
		oneOf(in.Visit.Stills, roll, func(s *house.Still) { s.TakenAt = time.Time{} })
	},
	"the clock is behind": func(in *Input, roll dice) {
		if in.Clock != nil {
			in.Clock.Behind = time.Duration(11+roll(10_000)) * time.Second
		}
	},
	"something is suggested elsewhere": func(in *Input, _ dice) { in.Elsewhere = true },
	"a rule says never": func(in *Input, roll dice) {
		in.Rules = append(slices.Clone(in.Rules), never("n", pick(roll, ada, ben)))
	},
	"a rule can't be followed": func(in *Input,
		roll dice) {
		oneOf(in.Rules, roll, func(r *house.DoorRule) { r.From = -1 })
	},
	"another that looks like": func(in *Input, roll dice) { alike(in, pick(roll, ada, ben), cy) },
	"consent is gone":         func(in *Input, roll dice) { delete(in.Persons, pick(roll, ada, ben)) },
	"away": func(in *Input,
		_ dice) {
		editHouse(in, func(h *house.AdviceRules) { h.AwayUntil = in.Now.Add(1) })
	},
	"paused": func(in *Input, _ dice) { editHouse(in, func(h *house.AdviceRules) { h.Paused = true }) },
	"parcels not while away": func(in *Input,
		_ dice) {
		editHouse(in, func(h *house.AdviceRules) { h.ParcelsWhileAway = false })
	},
	"the window is none": func(in *Input, _ dice) { editHouse(in, func(h *house.AdviceRules) { h.Window = 0 }) },
	"a holiday that is none": func(in *Input, _ dice) {
		editHouse(in, func(h *house.AdviceRules) { h.Holidays = []string{"some day"} })
	},
	"somebody poses as the bell": func(in *Input, roll dice) {
		if in.Bell != nil {
			in.Bell.RefusedAt = in.Now.Add(-time.Duration(roll(600)) * time.Second)
		}
	},
	"the clock jumps": func(in *Input, roll dice) {
		if in.Clock != nil {
			in.Clock.JumpedAt = in.Now.Add(-time.Duration(roll(3600)) * time.Second)
		}
	},
}

func oneOf[T any](all []T, roll dice, change func(*T)) {
	if len(all) > 0 {
		change(&all[roll(len(all))])
	}
}

func oneFace(in *Input, roll dice, change func(*house.Face)) {
	oneOf(in.Visit.Stills, roll, func(s *house.Still) { oneOf(s.Faces, roll, change) })
}

func lessSure(m *house.Match) {
	switch m.Band {
	case "strong":
		m.Band, m.FPIR = "fair", 9e-4
	default:
		m.Band, m.FPIR = "weak", 9e-3
	}
}

func plainer(f *house.Face) {
	switch {
	case f.Liveness == nil:
	case f.Liveness.Level == house.NoSign:
		f.Liveness.Level = house.Doubtful
	default:
		f.Liveness.Level = house.Picture
	}
}

func cantTell(f *house.Face) {
	if f.Liveness != nil {
		f.Liveness.CantTell = append(slices.Clone(f.Liveness.CantTell), "dark")
	}
}

// spoil puts a value in the place of one number of what was found, any.
func spoil(in *Input, roll dice, value float64) {
	oneFace(in, roll, func(f *house.Face) {
		var all []reflect.Value
		for _, part := range []any{f.Match, f.Liveness, f.Quality} {
			if v := reflect.ValueOf(part); !v.IsNil() {
				for i := range v.Elem().NumField() {
					if v.Elem().Field(i).Kind() == reflect.Float64 {
						all = append(all, v.Elem().Field(i))
					}
				}
			}
		}
		oneOf(all, roll, func(v *reflect.Value) { v.SetFloat(value) })
	})
}

func editHouse(in *Input, edit func(*house.AdviceRules)) {
	if in.House != nil {
		edit(in.House)
	}
}

func miss(in *Input, m house.Miss) {
	if in.Misses != nil {
		in.Misses = append(slices.Clone(in.Misses), m)
	}
}

func alike(in *Input, one, other string) {
	if in.Alike != nil {
		in.Alike[one] = append(in.Alike[one], other)
	}
}
