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

// drawn makes an input of odd values, near enough to a good one that it is
// suggested in some; most are as in good, the first choice of each.
func drawn(roll dice) Input {
	rare := pick(roll, 24, 60, 200)
	odd := func() bool { return roll(rare) == 1 }
	in := good()
	moments := []time.Time{evening, {}, evening.Add(-time.Minute), evening.Add(time.Minute), evening.Add(-48 * time.Hour),
		time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC), time.Unix(math.MaxInt64, 0), time.Unix(math.MinInt64, 0)}
	moment := func(was time.Time) time.Time {
		if odd() {
			return pick(roll, moments...)
		}
		return was
	}
	number := func(was float64) float64 {
		if odd() {
			return pick(roll, was, 0, math.NaN(), math.Inf(1), math.Inf(-1), -was, 1e-300, 1, 2)
		}
		return was
	}
	count := func(was int) int {
		if odd() {
			return pick(roll, was, 0, 1, 2, 3, -1, math.MaxInt, math.MinInt)
		}
		return was
	}
	text := func(was string) string {
		if odd() {
			return pick(roll, was, "", "porch", ada, ben, "strong", "fair", "weak", "\xff\x00")
		}
		return was
	}
	length := func(was time.Duration) time.Duration {
		if odd() {
			return pick(roll, was, 0, -1, math.MaxInt64, math.MinInt64, time.Minute)
		}
		return was
	}
	persons := []string{ada, ada, ada, ben, cy, ""}

	in.Now = moment(in.Now)
	in.Zone = pick(roll, berlin, berlin, berlin, berlin, time.UTC, nil)
	in.Visit.ID, in.Visit.Bell, in.Visit.ReceivedAt = text(in.Visit.ID), text(in.Visit.Bell), moment(in.Visit.ReceivedAt)
	if roll(2) == 1 {
		joinedBy(&in, pick(roll, persons...))
	}
	if odd() {
		in.Visit.Stills = in.Visit.Stills[:roll(2)]
	}
	for i := range in.Visit.Stills {
		s := &in.Visit.Stills[i]
		s.ReceivedAt, s.TakenAt, s.Damaged, s.Lost = moment(s.ReceivedAt), moment(s.TakenAt), odd(), odd()
		s.State = house.StillState(text(string(s.State)))
		for k := range s.Faces {
			f := &s.Faces[k]
			for _, v := range []*float64{&f.Match.Distance, &f.Match.FPIR, &f.Match.Probability, &f.Liveness.Probability,
				&f.Quality.EyeDistance, &f.Quality.PixelsPerMetre, &f.Quality.Sharpness, &f.Quality.Luma, &f.Quality.Clipped,
				&f.Quality.Contrast, &f.Quality.Yaw, &f.Quality.Roll, &f.Quality.Occlusion, &f.Quality.Cut} {
				if roll(3) == 1 {
					*v = number(*v)
				}
			}
			f.Match.Band, f.Match.Frames, f.Liveness.Frames = text(f.Match.Band), count(f.Match.Frames), count(f.Liveness.Frames)
			if roll(4) == 1 {
				f.Match.Band, f.Match.FPIR = "fair", 5e-4
			}
			if roll(8) == 1 {
				f.Liveness.Level = pick(roll, house.Doubtful, house.Picture, "")
			}
			if odd() {
				f.Liveness.CantTell = []string{pick(roll, "one-frame", "dark", "")}
			}
			if odd() {
				pick(roll, func() { f.Match = nil }, func() { f.Liveness = nil }, func() { f.Quality = nil },
					func() { f.Descriptor = house.Descriptor{} })()
			}
		}
	}
	in.Door.ID, in.Door.Bell, in.Door.Parcel = text(in.Door.ID), text(in.Door.Bell), roll(2) == 1
	if odd() {
		in.Bells = nil
	}
	if odd() {
		in.Bell.RefusedAt = pick(roll, moments...)
	}
	if odd() {
		in.Clock.JumpedAt = pick(roll, moments...)
	}
	in.House.Paused, in.House.Window, in.House.Expiry, in.House.Wait = odd(), length(in.House.Window),
		length(in.House.Expiry), length(in.House.Wait)
	in.House.Misses = count(in.House.Misses)
	in.House.ParcelsWhileAway = roll(2) == 1
	if roll(8) == 1 {
		in.House.AwayUntil = pick(roll, moments...)
	}
	for range roll(4) {
		in.Misses = append(in.Misses, house.Miss{At: evening.Add(-time.Duration(roll(200)) * time.Minute),
			Whom: pick(roll, persons...), By: pick(roll, "", "source phone-p-ada", "source pad")})
	}
	if odd() {
		pick(roll, func() { in.Bell = nil }, func() { in.Clock = nil }, func() { in.House = nil },
			func() { in.Misses = nil }, func() { in.Alike = nil }, func() { in.Persons = nil })()
	}
	if in.Alike != nil && roll(4) == 1 {
		in.Alike[pick(roll, persons...)] = []string{pick(roll, persons...)}
	}
	for range roll(4) {
		r := ruleFor(pick(roll, "r1", "r2", "r3", ""), pick(roll, persons...))
		r.Door, r.Holidays, r.Need = text(r.Door), roll(2) == 1, count(pick(roll, 1, 2))
		r.Band, r.Liveness, r.CantTell = pick(roll, "strong", "fair"), pick(roll, house.NoSign, house.Doubtful), roll(2) == 1
		r.From, r.To = count(pick(roll, 0, 420, 1080)), count(pick(roll, 1440, 1200, 60))
		if roll(8) == 1 {
			r.Allowed = false
		}
		in.Rules = append(in.Rules, r)
	}
	for range roll(5) {
		f := pick(roll, arrival, code)(pick(roll, "f1", "f2", "f3", ""), pick(roll, persons...))
		if roll(2) == 1 {
			f.Kind = pick(roll, house.FactorArrival, house.FactorCode, house.FactorToken, house.FactorResident, "")
			f.Visit = pick(roll, "v1", "", "v0")
		}
		f.At, f.Until, f.Strength, f.Source, f.UsedBy = moment(f.At), moment(f.Until), number(f.Strength), text(f.Source),
			pick(roll, "", "", "", "a1")
		in.Factors = append(in.Factors, f)
	}
	if odd() {
		in.Factors = nil
	}
	for range roll(3) {
		in.Parcels = append(in.Parcels,
			house.ParcelRule{ID: text("parcel"), Door: pick(roll, front, side), From: moment(evening.Add(-time.Hour)),
				To: moment(evening.Add(time.Hour)), Window: length(time.Minute), UsedBy: pick(roll, "", "", "a1")})
	}
	return in
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
	"a face was not looked at": func(in *Input, roll dice) { oneFace(in, roll, func(f *house.Face) { f.Liveness = nil }) },
	"a face was not measured":  func(in *Input, roll dice) { oneFace(in, roll, func(f *house.Face) { f.Quality = nil }) },
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
			in.Bell.RefusedAt = in.Now.Add(-time.Duration(roll(3600)) * time.Second)
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
