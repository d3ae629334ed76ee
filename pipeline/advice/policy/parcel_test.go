package policy

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

// parcelGood is an input for which a parcel is suggested to be let in: a
// stranger rings at the garage while one is expected.
func parcelGood() Input {
	in := good()
	in.Door = house.Door{ID: side, Name: "the garage", Bell: "porch", Parcel: true}
	in.Parcels = []house.ParcelRule{{ID: "parcel-1", Door: side, Note: "a lamp", From: evening.Add(-2 * time.Hour),
		To: evening.Add(time.Hour), Window: 2 * time.Minute}}
	eachFace(&in, func(f *house.Face) { f.Match = nil })
	return in
}

func TestDecideParcel(t *testing.T) {
	known := func(in *Input) {
		eachFace(in, func(f *house.Face) { f.Match = faceOf(ben, 2).Match })
	}
	for _, test := range []struct {
		name   string
		change func(*Input)
		code   string // "" where it is suggested
		says   string
	}{
		{"a stranger", func(*Input) {}, "", ""},
		{"nobody seen", func(in *Input) { in.Visit.Stills[0].Faces, in.Visit.Stills[1].Faces = nil, nil }, "", ""},
		{"somebody known", known, Nobody, "Ben Moss can be seen"},
		{"somebody known on one still", func(in *Input) { in.Visit.Stills[1].Faces = []house.Face{faceOf(ben, 1)} }, Nobody,
			"Ben Moss can be seen"},
		{"a weak match", func(in *Input) {
			known(in)
			eachFace(in, func(f *house.Face) { f.Match.Band = "weak" })
		}, Nobody, "Ben Moss can be seen"},
		{"something suggested at another door", func(in *Input) { in.Elsewhere = true }, Nobody, "something else already"},
		{"somebody kept away", func(in *Input) {
			known(in)
			in.Rules = append(in.Rules, never("n", ben))
			in.Rules[1].Door = side
		}, Nobody, "Ben Moss can be seen"},
		{"somebody known, rules not", func(in *Input) { known(in); in.Rules = nil }, Nobody, "Ben Moss can be seen"},
		{"a picture", func(in *Input) { eachFace(in, func(f *house.Face) { f.Liveness.Level = house.Picture }) }, Sign,
			"looks like a picture"},
		{"not looked at", func(in *Input) { eachFace(in, func(f *house.Face) { f.Liveness = nil }) }, Sign, "not known"},
		{"a still not examined", func(in *Input) { in.Visit.Stills[0].State = house.Pending }, Nobody, "not examined"},
		{"the house's own door", func(in *Input) { in.Door.Parcel = false }, Place, "no door for parcels"},
		{"the front door, with a rule that says so", func(in *Input) {
			in.Door = house.Door{ID: front, Name: "the front door", Bell: "porch"}
			in.Parcels[0].Door = front
		}, Place, "no door for parcels"},
		{"a rule for another door", func(in *Input) { in.Parcels[0].Door = front }, Expected, "No parcel is expected"},
		{"no rule", func(in *Input) { in.Parcels = nil }, Expected, "No parcel is expected"},
		{"used", func(in *Input) { in.Parcels[0].UsedBy = "a-1" }, Expected, "1 parcel came already"},
		{"too early", func(in *Input) { in.Parcels[0].From = evening.Add(1) }, Expected, "1 parcel at other times"},
		{"expected since it rang", func(in *Input) { in.Parcels[0].From = in.Visit.ReceivedAt }, "", ""},
		{"it rang before", func(in *Input) { in.Parcels[0].From = in.Visit.ReceivedAt.Add(1) }, Expected, "No parcel"},
		{"too late", func(in *Input) { in.Parcels[0].To = evening }, Expected, "No parcel"},
		{"expected for days", func(in *Input) { in.Parcels[0].From = evening.AddDate(0, 0, -3) }, Expected, "No parcel"},
		{"a long window", func(in *Input) { in.Parcels[0].Window = time.Hour }, Expected, "No parcel"},
		{"away", func(in *Input) { in.House.AwayUntil = evening.Add(time.Hour) }, Home, "away until"},
		{"away, and parcels may come", func(in *Input) {
			in.House.AwayUntil, in.House.ParcelsWhileAway = evening.Add(time.Hour), true
		}, "", ""},
		{"paused", func(in *Input) { in.House.Paused = true }, On, "paused"},
		{"after failed attempts of somebody's", func(in *Input) { in.Misses = missed(ben, 1, 2, 3) }, "", ""},
		{"the bell does not say its time", func(in *Input) { in.Visit.Stills[0].TakenAt = time.Time{} }, Clock,
			"Lintel-Taken-At"},
		{"an old ring", func(in *Input) { in.Visit.ReceivedAt = evening.Add(-time.Minute) }, Fresh, "old"},
		{"another bell", func(in *Input) { in.Door.Bell = "back" }, Door, "back"},
		{"somebody poses as the bell", func(in *Input) { in.Bell.RefusedAt = evening.Add(-time.Minute) }, Healthy,
			"wrong secret"},
		{"the clock jumped", func(in *Input) { in.Clock.JumpedAt = evening }, Clock, "jumped"},
	} {
		t.Run(test.name, func(t *testing.T) {
			in := parcelGood()
			test.change(&in)
			a := DecideParcel(in)
			want := len(parcelConditions)
			if test.code == Sign {
				want++
			}
			if len(a.Conditions) != want || a.Person != "" {
				t.Errorf("%d conditions, for %q", len(a.Conditions), a.Person)
			}
			if test.code == "" {
				if !suggested(a) || a.Parcel != "parcel-1" || !a.ExpiresAt.Equal(evening.Add(2*time.Minute)) {
					t.Fatalf("%s by %q until %s: %v", a.State, a.Parcel, a.ExpiresAt, a.Conditions)
				}
				return
			}
			if c := conditionOf(t, a, test.code); suggested(a) || c.Met || !strings.Contains(says(in, c), test.says) {
				t.Errorf("%s, %s is met: %t, %q", a.State, test.code, c.Met, says(in, c))
			}
		})
	}
}

// TestDecideParcelEnds holds that a suggestion ends with the time a parcel is
// expected, and that of several the one that ends first is used up.
func TestDecideParcelEnds(t *testing.T) {
	in := parcelGood()
	soon := in.Parcels[0]
	soon.ID, soon.To = "parcel-0", evening.Add(30*time.Second)
	in.Parcels = append(in.Parcels, soon)
	if a := DecideParcel(in); a.Parcel != "parcel-0" || !a.ExpiresAt.Equal(soon.To) {
		t.Errorf("by %s until %s", a.Parcel, a.ExpiresAt)
	}
}

// TestParcelNeverLetsPersonsIn holds that the two ways do not mix: a parcel
// expected suggests nothing for a person, and the other way round.
func TestParcelNeverLetsPersonsIn(t *testing.T) {
	if a := Decide(parcelGood()); suggested(a) {
		t.Error("a parcel let a person be suggested")
	}
	in := good()
	in.Parcels = parcelGood().Parcels
	if a := DecideParcel(in); suggested(a) || !slices.Contains(unmet(a), Place) {
		t.Errorf("%s at the front door: %v", a.State, a.Conditions)
	}
}
