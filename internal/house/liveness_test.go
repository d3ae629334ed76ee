package house

import "testing"

// judgedAs is a face with findings: one that has a place, and one that could not
// be looked for.
func judgedAs(seed float32, m *Match, level LivenessLevel) Face {
	f := faceOf(seed, m)
	f.Liveness = &Liveness{Level: level, Probability: .875, Frames: 1, CantTell: []string{"one-frame"},
		Findings: []Finding{
			{Sign: "halftone", Score: .75, Values: []float64{4.5, .125},
				Region: []Point{{X: 100, Y: 50}, {X: 181, Y: 50}, {X: 140, Y: 131}}},
			{Sign: "glare", Missing: "dark"},
		}}
	return f
}

func TestLivenessEqual(t *testing.T) {
	l := *judgedAs(.1, nil, Picture).Liveness
	if !l.Equal(*judgedAs(.1, nil, Picture).Liveness) {
		t.Error("not equal to its like")
	}
	for what, change := range map[string]func(*Liveness){
		"level":       func(l *Liveness) { l.Level = Doubtful },
		"probability": func(l *Liveness) { l.Probability++ },
		"frames":      func(l *Liveness) { l.Frames++ },
		"can't tell":  func(l *Liveness) { l.CantTell = nil },
		"no finding":  func(l *Liveness) { l.Findings = l.Findings[:1] },
		"sign":        func(l *Liveness) { l.Findings[0].Sign = "grid" },
		"score":       func(l *Liveness) { l.Findings[0].Score = 0 },
		"value":       func(l *Liveness) { l.Findings[0].Values[1] = 0 },
		"region":      func(l *Liveness) { l.Findings[0].Region[2].Y = 0 },
		"missing":     func(l *Liveness) { l.Findings[1].Missing = "" },
	} {
		other := *judgedAs(.1, nil, Picture).Liveness
		if change(&other); l.Equal(other) {
			t.Errorf("equal to one of another %s", what)
		}
	}
	if f, ok := l.Finding("halftone"); !ok || f.Score != .75 {
		t.Errorf("halftone is %+v, %t", f, ok)
	}
	if _, ok := l.Finding("grid"); ok {
		t.Error("a sign that was not looked for is there")
	}
}
