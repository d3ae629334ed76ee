package policy

import (
	"math"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// TestDecideEach goes through single doubts: the condition that has to tell it,
// and a word that it has to say.
func TestDecideEach(t *testing.T) {
	faces := func(change func(*house.Face)) func(*Input) {
		return func(in *Input) { eachFace(in, change) }
	}
	factor := func(change func(*house.Factor)) func(*Input) {
		return func(in *Input) { change(&in.Factors[0]) }
	}
	rule := func(change func(*house.DoorRule)) func(*Input) {
		return func(in *Input) { change(&in.Rules[0]) }
	}
	for _, test := range []struct {
		name   string
		change func(*Input)
		code   string // "" where it is suggested all the same
		says   string
	}{
		{"paused", func(in *Input) { in.House.Paused = true }, On, "paused"},
		{"settings unknown", func(in *Input) { in.House = nil }, On, "not known"},
		{"settings out of range", func(in *Input) { in.House.Expiry = time.Hour }, On, "15 seconds to 5 minutes"},
		{"away", func(in *Input) { in.House.AwayUntil = evening.Add(time.Second) }, Home, "away until"},
		{"away no more", func(in *Input) { in.House.AwayUntil = evening }, "", ""},

		{"three misses in an hour", func(in *Input) {
			in.Misses = missed(ada, 62*time.Minute, 10*time.Minute,
				2*time.Minute)
		},
			Wait, "3 failed attempts came within an hour for Ada Quill. Nothing is suggested for them until 18:18"},
		{"three misses in more", func(in *Input) { in.Misses = missed(ada, 63*time.Minute, 10*time.Minute, 2*time.Minute) },
			"",
			""},
		{"the wait is over", func(in *Input) { in.Misses = missed(ada, 17*time.Minute, 16*time.Minute, 15*time.Minute) },
			"", ""},
		{"the wait is nearly over", func(in *Input) {
			in.Misses = missed(ada, 17*time.Minute, 15*time.Minute-time.Second, 16*time.Minute)
		}, Wait, "18:05"},
		{"a long wait", func(in *Input) {
			in.House.Wait = 24 * time.Hour
			in.Misses = missed(ada, 20*time.Hour, 20*time.Hour, 20*time.Hour, time.Minute)
		}, Wait, "Nothing is suggested for them until 22:05"},
		{"a miss of the future", func(in *Input) { in.Misses = missed(ada, -time.Second) }, Wait, "later than now"},
		{"misses of somebody else", func(in *Input) { in.Misses = missed(ben, 3, 2, 1) }, "", ""},
		{"misses of nobody", func(in *Input) { in.Misses = missed("", 3, 2, 1) }, "", ""},
		{"misses of company", func(in *Input) {
			joinedBy(in, ben)
			in.Rules = append(in.Rules, ruleFor("r-ben", ben))
			in.Misses = missed(ben, 3, 2, 1)
		}, Wait, "for Ben Moss"},
		{"misses of the phone", func(in *Input) {
			in.Misses = missed(ben, 3, 2, 1)
			for i := range in.Misses {
				in.Misses[i].By = "source phone-p-ada"
			}
		}, Factors, "failed too often"},
		{"misses of another phone", func(in *Input) {
			in.Misses = missed(ben, 3, 2, 1)
			for i := range in.Misses {
				in.Misses[i].By = "source phone-p-ben"
			}
		}, "", ""},
		{"labels that nobody has", func(in *Input) {
			in.Misses = missed("", 3, 2, 1)
			for i := range in.Misses {
				in.Misses[i].By = "source phone-p-ada"
			}
		}, "", ""},
		{"misses unknown", func(in *Input) { in.Misses = nil }, Wait, "not known"},

		{"another door's bell", func(in *Input) { in.Door.Bell = "back" }, Door, "back"},
		{"no bell at the door", func(in *Input) { in.Door.Bell, in.Visit.Bell = "", "" }, Door, "not known"},

		{"60 s old", func(in *Input) { in.Visit.ReceivedAt = evening.Add(-time.Minute) }, Fresh, "60 seconds old"},
		{"59 s old", func(in *Input) { in.Visit.ReceivedAt = evening.Add(-59 * time.Second) }, "", ""},
		{"ring of the future", func(in *Input) { in.Visit.ReceivedAt = evening.Add(time.Second) }, Fresh, "later than now"},
		{"still of the future", func(in *Input) { in.Visit.Stills[1].ReceivedAt = evening.Add(1) }, Fresh,
			"later than now"},
		{"old by the bell's clock", func(in *Input) { in.Visit.Stills[0].TakenAt = evening.Add(-time.Minute) }, Fresh,
			"By the bell's clock"},
		{"future by the bell's clock", func(in *Input) { in.Visit.Stills[0].TakenAt = evening.Add(11 * time.Second) },
			Fresh, "By the bell's clock"},
		{"the bell does not say",
			func(in *Input) { in.Visit.Stills[0].TakenAt, in.Visit.Stills[1].TakenAt = time.Time{}, time.Time{} }, Clock,
			"did not say its time"},
		{"the bell says it of one still", func(in *Input) { in.Visit.Stills[1].TakenAt = time.Time{} }, Clock,
			"did not say its time"},
		{"the bell's clock is wrong, and it says so no more", func(in *Input) {
			in.Visit.Stills[0].TakenAt = in.Visit.Stills[0].ReceivedAt.Add(-11 * time.Second)
			in.Visit.Stills[1].TakenAt = time.Time{}
		}, Clock, "did not say its time"},
		{"no stills", func(in *Input) { in.Visit.Stills = nil }, Fresh, "no still"},

		{"refused in the future", func(in *Input) { in.Bell.RefusedAt = evening.Add(1) }, Healthy, "later than now"},
		{"refused", func(in *Input) { in.Bell.RefusedAt = evening.Add(-9 * time.Minute) }, Healthy, "wrong secret"},
		{"pictures are tried", func(in *Input) { in.Bell.TrialUntil = evening.Add(time.Minute) }, Healthy,
			"a trial with pictures"},
		{"pictures were tried when it rang", func(in *Input) { in.Bell.TrialUntil = in.Visit.ReceivedAt.Add(1) }, Healthy,
			"a trial with pictures"},
		{"pictures were tried before", func(in *Input) { in.Bell.TrialUntil = in.Visit.ReceivedAt }, "", ""},
		{"the bell is quiet", func(in *Input) { in.Bell.Ailing = ailing(house.BellQuiet) }, Healthy, "was not heard since"},
		{"the bell is covered", func(in *Input) { in.Bell.Ailing = ailing(house.BellCovered) }, Healthy,
			"Next to nothing"},
		{"the bell is dark", func(in *Input) { in.Bell.Ailing = ailing(house.BellDark) }, Healthy, "dark"},
		{"the bell is blurred", func(in *Input) { in.Bell.Ailing = ailing(house.BellUnfocused) }, Healthy, "blurred"},
		{"the bell was moved", func(in *Input) { in.Bell.Ailing = ailing(house.BellBattery, house.BellMoved) }, Healthy,
			"looks elsewhere"},
		{"the bell's battery is nearly empty", func(in *Input) {
			in.Bell.Ailing = ailing(house.BellBattery, house.BellClock)
		}, "", ""},
		{"tried from elsewhere", func(in *Input) { in.Bell.TriedSince = evening.Add(-time.Minute) }, "", ""},
		{"tried from elsewhere, and moved", func(in *Input) {
			in.Bell.TriedSince, in.Bell.Ailing = evening.Add(-time.Minute), ailing(house.BellMoved)
		}, Healthy, "looks elsewhere"},
		{"refused long ago", func(in *Input) { in.Bell.RefusedAt = evening.Add(-10 * time.Minute) }, "", ""},
		{"bell unknown", func(in *Input) { in.Bell = nil }, Healthy, "not known"},
		{"bell not of the house", func(in *Input) { in.Bells = []string{"back"} }, Healthy, "not known"},

		{"clock jumped", func(in *Input) { in.Clock.JumpedAt = evening.Add(-59 * time.Minute) }, Clock, "jumped"},
		{"clock jumped back", func(in *Input) { in.Clock.JumpedAt = evening.Add(time.Minute) }, Clock, "jumped back"},
		{"clock jumped long ago", func(in *Input) { in.Clock.JumpedAt = evening.Add(-time.Hour) }, "", ""},
		{"clock behind the archive", func(in *Input) { in.Clock.Behind = 2 * time.Hour }, Clock,
			"The server's clock is 2 hours behind"},
		{"clock not watched", func(in *Input) { in.Clock = nil }, Clock, "not known"},
		{"bell's clock slow",
			func(in *Input) { in.Visit.Stills[0].TakenAt = in.Visit.Stills[0].ReceivedAt.Add(-11 * time.Second) }, Clock,
			"differ by 11 seconds"},

		{"a stranger beside", func(in *Input) {
			in.Visit.Stills[1].Faces = append(in.Visit.Stills[1].Faces, house.Face{})
		}, People, "1 unknown face"},
		{"a still not examined", func(in *Input) { in.Visit.Stills[1].State = house.Pending }, People, "not examined"},
		{"a still given up", func(in *Input) { in.Visit.Stills[1].State = house.Failed }, People, "could not be examined"},
		{"a broken still", func(in *Input) { in.Visit.Stills[1].Damaged = true }, People, "damaged"},
		{"no face", faces(func(f *house.Face) { f.Match = nil }), People, "Nobody known"},
		{"twice on one still", func(in *Input) {
			in.Visit.Stills[0].Faces = append(in.Visit.Stills[0].Faces, faceOf(ada, 2))
		}, People, "both taken for Ada Quill"},
		{"company without a rule", func(in *Input) { joinedBy(in, ben) }, People, "No rule lets Ben Moss"},
		{"company that is allowed",
			func(in *Input) { joinedBy(in, ben); in.Rules = append(in.Rules, ruleFor("r-ben", ben)) }, "", ""},
		{"company that never is", func(in *Input) {
			joinedBy(in, ben)
			in.Rules = append(in.Rules, ruleFor("r-ben", ben), never("n-ben", ben))
		}, Never, "says never for Ben Moss"},
		{"company that is a weak match", func(in *Input) {
			joinedBy(in, ben)
			in.Rules = append(in.Rules, ruleFor("r-ben", ben))
			in.Visit.Stills[0].Faces[1].Match.Band = "weak"
		}, Match, "Ben Moss is weak"},

		{"no consent", func(in *Input) { in.Persons[ada] = house.Person{ID: ada, Name: "Ada Quill"} }, Consent,
			"no consent"},
		{"gone", func(in *Input) { delete(in.Persons, ada) }, Consent, "not known"},
		{"consent of the future", func(in *Input) { in.Persons[ada].Consent.GivenAt = evening.Add(1) }, Consent,
			"later than now"},

		{"rules unknown", func(in *Input) { in.Rules = nil }, Never, "not known"},
		{"no rule", func(in *Input) { in.Rules = []house.DoorRule{} }, Allowed, "No rule lets Ada Quill"},
		{"a rule for another door", rule(func(r *house.DoorRule) { r.Door = side }), Allowed, "No rule lets"},
		{"a rule for nothing", rule(func(r *house.DoorRule) { r.Need = 0 }), Allowed, "can't be followed"},
		{"another rule that can't be followed", func(in *Input) {
			in.Rules = append(in.Rules, never("n", ada))
			in.Rules[1].To = 0
		}, Allowed, "can't be followed"},
		{"never", func(in *Input) { in.Rules = append(in.Rules, never("n", ada)) }, Never, "wins over all"},
		{"never, at another time", func(in *Input) {
			in.Rules = append(in.Rules, never("n", ada))
			in.Rules[1].To = 18*60 + 5
		}, "", ""},
		{"too late", rule(func(r *house.DoorRule) { r.To = 18*60 + 5 }), Time, "It is Wednesday 25 November, 18:05"},
		{"to the minute", rule(func(r *house.DoorRule) { r.From, r.To = 18*60+5, 18*60+6 }), "", ""},
		{"not on Wednesdays", rule(func(r *house.DoorRule) { r.Days[time.Wednesday] = false }), Time,
			"on Monday, Tuesday, Thursday and Friday"},
		{"a holiday", func(in *Input) { in.House.Holidays = []string{"2026-11-25"} }, Time, "a holiday"},
		{"a holiday that is meant", func(in *Input) {
			in.House.Holidays = []string{"2026-11-25"}
			in.Rules[0].Holidays = true
		}, "", ""},
		{"a holiday that can't be read", func(in *Input) { in.House.Holidays = []string{"2026-11-31"} }, Time, "not known"},
		{"no zone", func(in *Input) { in.Zone = nil }, Time, "not known"},

		{"fair", faces(func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 }), Match,
			"A strong match is asked for"},
		{"fair, which is enough", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Match.Band, f.Match.FPIR = "fair", 5e-4 })
			in.Rules[0].Band = "fair"
		}, "", ""},
		{"weak", faces(func(f *house.Face) { f.Match.Band, f.Match.FPIR = "weak", 5e-3 }), Match, "never counts"},
		{"a band that its rate is not of", faces(func(f *house.Face) { f.Match.FPIR = 5e-4 }), Match, "not of its band"},
		{"a copy of the reference", faces(func(f *house.Face) { f.Match.Distance = 0 }), Match, "can't be"},
		{"no number", faces(func(f *house.Face) { f.Match.Distance = math.NaN() }), Match, "can't be"},
		{"no band", faces(func(f *house.Face) { f.Match.Band = "" }), Match, "not known"},
		{"fair on one still", func(in *Input) {
			in.Visit.Stills[1].Faces[0].Match.Band, in.Visit.Stills[1].Faces[0].Match.FPIR = "fair", 5e-4
		}, Match, "is fair"},

		{"judged by one still of two", faces(func(f *house.Face) { f.Match.Frames = 1 }), Frames, "The match is by 1"},
		{"looked at one still of two", func(in *Input) { in.Visit.Stills[0].Faces[0].Liveness.Frames = 1 }, Sign,
			"looked for on 1 of them"},
		{"not judged", faces(func(f *house.Face) { f.Match.Frames = 0 }), Frames, "by 0"},
		{"descriptor gone", faces(func(f *house.Face) { f.Descriptor = house.Descriptor{} }), Frames, "not kept any more"},

		{"small", faces(func(f *house.Face) { f.Quality.FaceWidth = 20 }), Quality, "20 pixels"},
		{"not measured", faces(func(f *house.Face) { f.Quality = nil }), Quality, "not measured"},
		{"no eyes", faces(func(f *house.Face) { f.Quality.EyeDistance = 0 }), Quality, "eyes"},

		{"a twin", func(in *Input) { in.Alike[ada] = []string{cy} }, Alike, "easily confused with Cy Quill"},
		{"a twin, from the other end", func(in *Input) { in.Alike[cy] = []string{ada} }, Alike,
			"easily confused with Cy Quill"},
		{"a twin, and a code", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", ada))
		}, "", ""},
		{"a twin, and the twin's code", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", cy))
		}, Alike, "has to settle it"},
		{"a twin, and a code that is worth less", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors = append(in.Factors, code("f-code", ada))
			in.Factors[1].Strength = 0.9
		}, Alike, "has to settle it"},
		{"a twin, and an arrival as strong", func(in *Input) {
			in.Alike[ada] = []string{cy}
			in.Factors[0].Strength = 1
		}, Alike, "has to settle it"},
		{"settings out of range, two of them", func(in *Input) { in.House.Expiry, in.House.Window = 0, 0 }, On,
			"15 minutes. A suggestion"},
		{"likeness unknown", func(in *Input) { in.Alike = nil }, Alike, "not known"},

		{"doubtful", faces(func(f *house.Face) { f.Liveness.Level = house.Doubtful }), Sign, "signs"},
		{"doubtful on one still", func(in *Input) { in.Visit.Stills[1].Faces[0].Liveness.Level = house.Doubtful }, Sign,
			"signs"},
		{"doubtful, which is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Doubtful })
			in.Rules[0].Liveness = house.Doubtful
		}, "", ""},
		{"a picture, whatever is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Picture })
			in.Rules[0].Liveness = house.Doubtful
		}, Sign, "looks like a picture"},
		{"not looked at", faces(func(f *house.Face) { f.Liveness = nil }), Sign, "not known"},
		{"too dark to tell, whatever is allowed", func(in *Input) {
			eachFace(in, func(f *house.Face) { f.Liveness.CantTell = []string{"dark"} })
			in.Rules[0].CantTell = true
		}, Sign, "too dark"},
		{"one still", oneStill, Sign, "only one still"},
		{"one still that does not say so", func(in *Input) {
			oneStill(in)
			in.Visit.Stills[0].Faces[0].Liveness.CantTell = nil
		}, Sign, "only one still"},
		{"one still, which is allowed", func(in *Input) { oneStill(in); in.Rules[0].CantTell = true }, "", ""},

		{"no factor", func(in *Input) { in.Factors = nil }, Factors, "Given: 0"},
		{"somebody else's", factor(func(f *house.Factor) { f.Person = ben }), Factors, "Given: 0"},
		{"used", factor(func(f *house.Factor) { f.UsedBy = "a-1" }), Factors, "used before"},
		{"a bell's", factor(func(f *house.Factor) { f.Source = "porch" }), Factors, "from a bell"},
		{"another bell's, by its id", factor(func(f *house.Factor) { f.Source = "B-78" }), Factors, "from a bell"},
		{"nobody's", factor(func(f *house.Factor) { f.Source = "" }), Factors, "does not say"},
		{"of the future", factor(func(f *house.Factor) { f.At = evening.Add(1) }), Factors, "later than now"},
		{"of this very moment", factor(func(f *house.Factor) { f.At = evening }), "", ""},
		{"over", factor(func(f *house.Factor) { f.Until = evening }), Factors, "was good until"},
		{"beyond the window", factor(func(f *house.Factor) { f.At = evening.Add(-10 * time.Minute) }), Factors,
			"too long ago"},
		{"without strength", factor(func(f *house.Factor) { f.Strength = 0 }), Factors, "no strength"},
		{"of no number", factor(func(f *house.Factor) { f.Strength = math.NaN() }), Factors, "no strength"},
		{"too strong", factor(func(f *house.Factor) { f.Strength = 1.5 }), Factors, "no strength"},
		{"of a kind that does not count", factor(func(f *house.Factor) { f.Kind = house.FactorToken }), Factors,
			"Given: 0"},
		{"of no kind", factor(func(f *house.Factor) { f.Kind = "smile" }), Factors, "no known kind"},
		{"two needed", rule(func(r *house.DoorRule) { r.Need = 2 }), Factors, "2 of these are needed"},
		{"two of one kind where two are needed", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, arrival("f-2", ada))
		}, Factors, "Given: 1"},
		{"two kinds where two are needed", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, code("f-2", ada))
		}, "", ""},
		{"two kinds of two persons", func(in *Input) {
			in.Rules[0].Need = 2
			in.Factors = append(in.Factors, code("f-2", ben))
		}, Factors, "Given: 1"},
		{"a resident for this visit", resident("v1", 2*time.Second), "", ""},
		{"a resident for another visit", resident("v0", 2*time.Second), Factors, "another visit"},
		{"a resident before the bell rang", resident("v1", 9*time.Second), Factors, "another visit"},
		{"a resident for no visit", resident("", 2*time.Second), Factors, "another visit"},
	} {
		t.Run(test.name, func(t *testing.T) {
			in := good()
			test.change(&in)
			a := Decide(in)
			if test.code == "" {
				if !suggested(a) {
					t.Fatalf("withheld for %v: %v", unmet(a), a.Conditions)
				}
				return
			}
			c := conditionOf(t, a, test.code)
			if suggested(a) || c.Met {
				t.Fatalf("%s, and %s is met: %v", a.State, test.code, c.Reasons)
			}
			if got := says(in, c); !strings.Contains(got, test.says) {
				t.Errorf("%s says %q, without %q", test.code, got, test.says)
			}
			if !a.ExpiresAt.IsZero() || a.Factors != nil {
				t.Errorf("withheld advice expires at %s and rests on %v", a.ExpiresAt, a.Factors)
			}
		})
	}
}

// missed are failed attempts in a person's name, so long before the evening's.
func missed(person string, ago ...time.Duration) (all []house.Miss) {
	for _, d := range ago {
		all = append(all, house.Miss{At: evening.Add(-d), What: "code", Whom: person})
	}
	return all
}

func oneStill(in *Input) {
	in.Visit.Stills = in.Visit.Stills[:1]
	in.Visit.Stills[0].Faces = []house.Face{faceOf(ada, 1)}
	in.Visit.Stills[0].Faces[0].Liveness.CantTell = []string{"one-frame"}
}

// resident has one agree to a visit, so long ago, and makes that what counts.
func resident(visit string, ago time.Duration) func(*Input) {
	return func(in *Input) {
		in.Rules[0].Factors = []house.FactorKind{house.FactorResident}
		in.Factors = []house.Factor{{ID: "f", Kind: house.FactorResident, Person: ada, Source: "resident-1", Visit: visit,
			At: evening.Add(-ago), Until: evening.Add(time.Minute), Strength: 1}}
	}
}

// ailing are ailments since an hour before.
func ailing(all ...house.Ailment) (spells []house.Spell) {
	for _, a := range all {
		spells = append(spells, house.Spell{Ailment: a, Since: evening.Add(-time.Hour)})
	}
	return spells
}
