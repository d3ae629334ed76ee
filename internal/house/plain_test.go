package house

import (
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"
)

// TestCheckComplete has each answer with and without whom it is about.
func TestCheckComplete(t *testing.T) {
	for _, test := range []struct {
		check Check
		want  string
	}{
		{Check{Answer: AnswerYes, Asked: "a", Person: "a"}, "answer-face"},
		{Check{Face: "f", Answer: AnswerYes, Asked: "a", Person: "a"}, ""},
		{Check{Face: "f", Answer: AnswerYes, Asked: "a", Person: "b"}, "answer-yes"},
		{Check{Face: "f", Answer: AnswerYes, Asked: "a"}, "answer-yes"},
		{Check{Face: "f", Answer: AnswerYes, Person: "a"}, "answer-whom"},
		{Check{Face: "f", Answer: AnswerNo, Asked: "a"}, ""},
		{Check{Face: "f", Answer: AnswerNo}, "answer-whom"},
		{Check{Face: "f", Answer: AnswerNo, Asked: "a", Person: "b"}, "answer-nobody"},
		{Check{Face: "f", Answer: AnswerElse, Asked: "a", Person: "b"}, ""},
		{Check{Face: "f", Answer: AnswerElse, Person: "b"}, ""},
		{Check{Face: "f", Answer: AnswerElse, Asked: "a"}, ""},
		{Check{Face: "f", Answer: AnswerElse}, ""},
		{Check{Face: "f", Answer: AnswerElse, Asked: "a", Person: "a"}, "answer-else"},
		{Check{Face: "f", Answer: AnswerNotFace, Asked: "a"}, ""},
		{Check{Face: "f", Answer: AnswerNotFace}, ""},
		{Check{Face: "f", Answer: AnswerNotFace, Person: "a"}, "answer-nobody"},
		{Check{Face: "f", Answer: "perhaps", Asked: "a"}, "answer-form"},
	} {
		hasCode(t, test.check, test.check.Complete(), ErrBadAnswer, test.want)
	}
}

func TestSightingKept(t *testing.T) {
	described := Face{Descriptor: Descriptor{127: 1}}
	for _, test := range []struct {
		sighting Sighting
		want     bool
	}{{Sighting{File: "x", Face: described}, true}, {Sighting{Face: described}, false}, {Sighting{File: "x"}, false},
		{Sighting{}, false}} {
		if got := test.sighting.Kept(); got != test.want {
			t.Errorf("file %q: %v", test.sighting.File, got)
		}
	}
}

// TestWhose has what a resident said before what was found, and no match against their word.
func TestWhose(t *testing.T) {
	ada := &Match{Person: "ada"}
	for _, test := range []struct {
		face       Face
		whose      string
		recognised *Match
		none       bool
	}{
		{Face{}, "", nil, false}, {Face{Match: ada}, "ada", ada, false},
		{Face{Match: ada, Said: &Said{Answer: AnswerYes, Person: "ada"}}, "ada", ada, false},
		{Face{Match: ada, Said: &Said{Answer: AnswerElse, Person: "bo"}}, "bo", nil, false},
		{Face{Match: ada, Said: &Said{Answer: AnswerNo}}, "", nil, false},
		{Face{Match: ada, Said: &Said{Answer: AnswerNotFace}}, "", nil, true},
		{Face{Said: &Said{Answer: AnswerElse, Person: "bo"}}, "bo", nil, false},
		{Face{Said: &Said{Answer: AnswerNotFace}}, "", nil, true},
	} {
		if got := test.face.Whose(); got != test.whose {
			t.Errorf("%+v: %q", test.face.Said, got)
		}
		if got := test.face.Recognised(); got != test.recognised {
			t.Errorf("%+v: recognised %+v", test.face.Said, got)
		}
		if got := test.face.IsNone(); got != test.none {
			t.Errorf("%+v: no face %v", test.face.Said, got)
		}
	}
}

// TestFoundOn takes the gravest face of a visit, by its level and then by how probable a picture is.
func TestFoundOn(t *testing.T) {
	face := func(level LivenessLevel, p float64, findings ...Finding) Face {
		return Face{Liveness: &Liveness{Level: level, Probability: p, Frames: 2, Findings: findings}}
	}
	signs := []Finding{{Sign: "weak", Score: 0.1}, {Sign: "none"}, {Sign: "missed", Score: 0.9, Missing: "dark"},
		{Sign: "plain", Score: 0.8}}
	want := []TrialSign{{"plain", 0.8}, {"weak", 0.1}}
	for name, test := range map[string]struct {
		faces []Face
		level LivenessLevel
		p     float64
	}{
		"by level":            {[]Face{face(Doubtful, 0.5), face(Picture, 0.1, signs...), face(NoSign, 0.9)}, Picture, 0.1},
		"doubtful before no":  {[]Face{face(NoSign, 0.9), face(Doubtful, 0.5, signs...)}, Doubtful, 0.5},
		"by probability":      {[]Face{face(Picture, 0.8), face(Picture, 0.9, signs...), face(Picture, 0.7)}, Picture, 0.9},
		"the first of equals": {[]Face{face(Picture, 0.8, signs...), face(Picture, 0.8)}, Picture, 0.8},
		"one was not judged":  {[]Face{{}, face(NoSign, 0.1, signs...)}, NoSign, 0.1},
	} {
		got := FoundOn(Visit{Stills: []Still{{State: Failed}, {State: Done, Faces: test.faces}}})
		if got.Failed || got.Level != test.level || got.Probability != test.p || got.Frames != 2 ||
			!slices.Equal(got.Signs, want) {
			t.Errorf("%s: %+v", name, got)
		}
	}
	for state, failed := range map[StillState]bool{Done: false, Failed: true, Pending: true} {
		if got := FoundOn(Visit{Stills: []Still{{State: state}}}); got.Failed != failed || got.Level != "" {
			t.Errorf("%s: %+v", state, got)
		}
	}
}

func TestLivenessWarns(t *testing.T) {
	for level, want := range map[LivenessLevel]bool{NoSign: false, Doubtful: true, Picture: true, "": false} {
		if level.Warns() != want {
			t.Errorf("%q warns: %v", level, !want)
		}
	}
}

// Each of these ends is at a moment: the one before it counts, the moment itself does not.
func TestEnds(t *testing.T) {
	at := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	session := func(s Session) func(time.Time) bool { return func(now time.Time) bool { return !s.Over(now) } }
	never := at.AddDate(99, 0, 0)
	parcel := ParcelRule{From: at.Add(-time.Hour), To: at}
	for name, runs := range map[string]func(time.Time) bool{
		"trial":               Trial{EndsAt: at}.Runs,
		"parcel":              func(now time.Time) bool { return parcel.State(now) == ParcelNow },
		"tablet":              session(Session{Tablet: "t", ExpiresAt: at}),
		"resident":            session(Session{Resident: "r", ExpiresAt: at, SeenAt: at}),
		"resident at tablet":  session(Session{Resident: "r", At: "t", ExpiresAt: at, SeenAt: at}),
		"unused for 30 days":  session(Session{Resident: "r", ExpiresAt: never, SeenAt: at.AddDate(0, 0, -30)}),
		"unused half an hour": session(Session{Resident: "r", At: "t", ExpiresAt: never, SeenAt: at.Add(-30 * time.Minute)}),
	} {
		if !runs(at.Add(-1)) || runs(at) || runs(at.Add(1)) {
			t.Errorf("%s: %v, %v, %v", name, runs(at.Add(-1)), runs(at), runs(at.Add(1)))
		}
	}
	if session(Session{Tablet: "t", ExpiresAt: never})(at) == false {
		t.Error("a tablet that nobody touched has ended")
	}
}

func TestParcelState(t *testing.T) {
	from := time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)
	p := ParcelRule{From: from, To: from.Add(time.Hour)}
	for d, want := range map[time.Duration]ParcelState{-1: ParcelLater, 0: ParcelNow, time.Hour - 1: ParcelNow,
		time.Hour: ParcelOver} {
		if got := p.State(from.Add(d)); got != want {
			t.Errorf("after %v: %s", d, got)
		}
	}
	p.UsedBy = "advice"
	if got := p.State(from); got != ParcelUsed {
		t.Errorf("once used: %s", got)
	}
}

func TestDoorTells(t *testing.T) {
	for door, want := range map[Door]bool{{}: false, {Parcel: true}: true, {Tell: TellAtOnce}: true,
		{Tell: TellAfterConfirm}: false, {Tell: TellAfterConfirm, Parcel: true}: false,
		{Tell: TellAtOnce, Parcel: true}: true} {
		if door.TellsAtOnce() != want {
			t.Errorf("%+v: %v", door, !want)
		}
	}
}

// TestAdviceRules has the defaults: 10 minutes, a minute, three attempts, a quarter of an hour.
func TestAdviceRules(t *testing.T) {
	r := DefaultAdviceRules()
	if r.Window != 600*time.Second || r.Expiry != 60*time.Second || r.Misses != 3 || r.Wait != 900*time.Second ||
		r.Paused {
		t.Errorf("%+v", r)
	}
}

func TestFactorWeak(t *testing.T) {
	for strength, want := range map[float64]bool{Slight: true, 0.49: true, Ordinary: false, 0.51: false, Decisive: false} {
		if (Factor{Strength: strength}).Weak() != want {
			t.Errorf("%v: %v", strength, !want)
		}
	}
}

func TestAdviceCodes(t *testing.T) {
	a := Advice{Conditions: []Condition{{Code: "met", Met: true}, {Code: "not", Met: false}, {Code: "not"},
		{Code: "unasked", NotAsked: true}, {Code: "last"}}}
	if got := a.Unmet(); !slices.Equal(got, []string{"not", "last"}) {
		t.Errorf("unmet %q", got)
	}
	if got := a.NotAsked(); !slices.Equal(got, []string{"unasked"}) {
		t.Errorf("not asked %q", got)
	}
	if a.Released() || !(Advice{ReleasedAt: time.Unix(1, 0)}).Released() {
		t.Error("released is not what has a time of it")
	}
}

// TestScopes has scopes in one order, and what hears by MQTT.
func TestScopes(t *testing.T) {
	got, err := NewScopes(ReadMetrics, ReadVisits, ReadVisits)
	if err != nil || got != "read-visits read-metrics" || !got.Has(ReadMetrics) || got.Has(ReadAdvice) || got.Hears() {
		t.Errorf("%q, %v", got, err)
	}
	for _, scopes := range [][]Scope{nil, {"all"}, {ReadVisits, "all"}} {
		_, err := NewScopes(scopes...)
		wantError(t, err, ErrBadScope)
	}
	for _, s := range AllScopes {
		one, err := NewScopes(s)
		if hears := s == HearVisits || s == HearNames || s == HearDisplays; err != nil || one.Hears() != hears {
			t.Errorf("%s hears %v, %v", s, one.Hears(), err)
		}
	}
	text, err := json.Marshal(got)
	var read Scopes
	if err == nil {
		err = json.Unmarshal(text, &read)
	}
	if err != nil || string(text) != `["read-visits","read-metrics"]` || read != got {
		t.Errorf("%s, %q, %v", text, read, err)
	}
	wantError(t, json.Unmarshal([]byte(`["all"]`), &read), ErrBadScope)
}

// TestStrangerDistances counts by hundredth, rounded up, and what is far in the last one.
func TestStrangerDistances(t *testing.T) {
	for d, at := range map[float64]int{-1: 0, 0: 0, 0.004: 1, 0.39: 39, 0.391: 40, 0.4: 40, 0.401: 41, 1.49: 149,
		1.491: 150, 1.5: 150, 1.501: 150, 99: 150} {
		s := StrangerDistances{}.With([]float64{d})
		if s.Strangers != 1 || len(s.Counts) != 151 || s.Counts[at] != 1 || s.Comparisons() != 1 {
			t.Errorf("%v is counted in %d, of %d", d, slices.Index(s.Counts, 1), len(s.Counts))
		}
	}
	two := StrangerDistances{}.With([]float64{0.3, 0.5}).With([]float64{0.3})
	if two.Strangers != 2 || two.Counts[30] != 2 || two.Counts[50] != 1 || two.Comparisons() != 3 {
		t.Errorf("%d, %d comparisons", two.Strangers, two.Comparisons())
	}
}

func TestConsentComplete(t *testing.T) {
	at := time.Unix(1, 0)
	for _, test := range []struct {
		consent Consent
		want    string
	}{
		{Consent{"Ada Quill", at, "face"}, ""}, {Consent{" ", at, "face"}, "consent-who"},
		{Consent{"Ada\u200bQuill", at, "face"}, "consent-who-unseen"},
		{Consent{"Ada Quill", time.Time{}, "face"}, "consent-when"},
		{Consent{"Ada Quill", at, "\t"}, "consent-what"},
	} {
		hasCode(t, test.consent, test.consent.Complete(), ErrNoConsent, test.want)
	}
}

func TestVisitPending(t *testing.T) {
	for _, test := range []struct {
		states []StillState
		want   bool
	}{{nil, false}, {[]StillState{Done, Failed}, false}, {[]StillState{Done, Pending}, true},
		{[]StillState{Pending, Done}, true}} {
		var v Visit
		for _, s := range test.states {
			v.Stills = append(v.Stills, Still{State: s})
		}
		if v.Pending() != test.want {
			t.Errorf("%v: %v", test.states, !test.want)
		}
	}
	if got := (Still{Faces: []Face{{Unlooked: 1}, {Unlooked: 3}, {Unlooked: 2}}}).Unlooked(); got != 3 {
		t.Errorf("%d were not looked at", got)
	}
}

// A fault says its code, and what is told of it if anything is.
func TestFaultText(t *testing.T) {
	of := errors.New("this is bad")
	for want, err := range map[string]error{"this is bad: code": fault(of, "code"),
		"this is bad: code [Most 3]":         fault(of, "code", "Most", 3),
		"mask 2: this is bad: code [Most 3]": FaultIn{"mask", 2, fault(of, "code", "Most", 3)}} {
		if err.Error() != want || !errors.Is(err, of) {
			t.Errorf("%q, want %q", err, want)
		}
	}
}

// TestHealthEvery has the usual interval where the household said none, and none where it is less.
func TestHealthEvery(t *testing.T) {
	for interval, want := range map[time.Duration]time.Duration{-1: 0, 0: 5 * time.Minute, 1: 1, time.Hour: time.Hour} {
		if got := (Health{Interval: interval}).Every(); got != want {
			t.Errorf("%v: every %v", interval, got)
		}
	}
}

// TestAilments has what the bell sees, and silence, withhold, and neither a battery nor a clock.
func TestAilments(t *testing.T) {
	for a, want := range map[Ailment][2]bool{BellQuiet: {false, true}, BellCovered: {true, true}, BellDark: {true, true},
		BellUnfocused: {true, true}, BellMoved: {true, true}, BellClock: {}, BellBattery: {}} {
		if a.OfView() != want[0] || a.Withholds() != want[1] {
			t.Errorf("%s: of the view %v, withholds %v", a, a.OfView(), a.Withholds())
		}
		signs, ails := Health{Signs: map[Ailment]Sign{a: {Times: 1}}}, Health{Ailing: []Spell{{Ailment: a}}}
		if signs.Doubted() != want[0] || ails.Doubted() != want[0] || (Health{}).Doubted() {
			t.Errorf("%s: doubted by a sign %v, by the ailment %v", a, signs.Doubted(), ails.Doubted())
		}
	}
}

// TestBellDay adds counts of a day, and has the mean of none be 0.
func TestBellDay(t *testing.T) {
	d := BellDay{Rings: 1, Stills: 2, Damaged: 1, Upload: 3 * time.Second, Slowest: 2 * time.Second}
	d.Add(BellDay{Rings: 2, Stills: 3, Damaged: 2, Upload: 7 * time.Second, Slowest: time.Second})
	if d != (BellDay{Rings: 3, Stills: 5, Damaged: 3, Upload: 10 * time.Second, Slowest: 2 * time.Second}) ||
		d.Mean() != 2*time.Second || (BellDay{}).Mean() != 0 {
		t.Errorf("%+v, a mean of %v", d, d.Mean())
	}
}

// TestClockAhead has what time.Duration can't hold be the longest that it can.
func TestClockAhead(t *testing.T) {
	for ms, want := range map[int64]time.Duration{-1: -time.Millisecond, 0: 0, 1: time.Millisecond,
		1<<63 - 1: 9223372036854 * time.Millisecond, -1 << 62: -9223372036854 * time.Millisecond} {
		if got, known := (Heartbeat{Ahead: &ms}).ClockAhead(); !known || got != want {
			t.Errorf("%d ms: %v, %v", ms, got, known)
		}
	}
	if got, known := (Heartbeat{}).ClockAhead(); known || got != 0 {
		t.Errorf("of a bell that did not say: %v, %v", got, known)
	}
}

// TestSpells has an ailment begin with the third sign in a row, once, and a story of twelve that are over.
func TestSpells(t *testing.T) {
	var h Health
	at := time.Unix(1000, 0)
	for n, want := range []bool{false, false, true, false} {
		if got := h.Suspect(BellDark, true, at.Add(time.Duration(n))); got != want {
			t.Errorf("sign %d is new: %v", n+1, got)
		}
	}
	if s, has := h.Has(BellDark); !has || !s.Since.Equal(at) {
		t.Errorf("%+v, %v", s, has)
	}
	if !h.Begin(BellQuiet, at) || h.Begin(BellQuiet, at) || h.Ailing[0].Ailment != BellQuiet {
		t.Errorf("%+v", h.Ailing)
	}
	if !h.Suspect(BellDark, false, at) || h.Suspect(BellDark, false, at) || h.Signs[BellDark].Times != 0 {
		t.Errorf("%+v", h)
	}
	for n := range 13 {
		h.Begin(BellMoved, at)
		h.End(BellMoved, at.Add(time.Duration(n)))
		if got := len(h.Past); got != min(n+2, 12) || !h.Past[0].Until.Equal(at.Add(time.Duration(n))) {
			t.Errorf("after %d more the story has %d", n+1, got)
		}
	}
}
