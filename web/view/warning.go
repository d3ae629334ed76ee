package view

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A Warning tells that a face may be a picture's. The word of design.md for what
// it comes from, liveness, is for programs only: on a screen stands what there is
// a sign of. That there is none stands nowhere, since most pictures show none;
// what stands there, wherever a name is, is that a photograph passes.
type Warning struct {
	Level    house.LivenessLevel
	Words    string // with whose face it is, of several
	Headed   bool   // whether the headline says it
	Seen     string // the plainest signs, "" for none
	CantTell string // a sentence, "" for none
}

// Brief leaves the reasons out, where they stand beside the faces.
func (w *Warning) Brief() {
	if w != nil {
		w.Seen, w.CantTell = "", ""
	}
}

// Picture reports whether it looks like a picture.
func (w *Warning) Picture() bool { return w != nil && w.Level == house.Picture }

// Warning returns nil where there is nothing to warn of.
func (t Presenter) Warning(l *house.Liveness) *Warning {
	if l == nil || !l.Level.Warns() {
		return nil
	}
	return &Warning{Level: l.Level, Words: t.Words.Text("level-" + string(l.Level)), Seen: t.seen(l.Findings),
		CantTell: t.Words.Reasons(liveness.Untold(*l))}
}

// shownSigns is how many signs a warning names.
const shownSigns = 3

// seen names the plainest signs among findings.
func (t Presenter) seen(findings []house.Finding) string {
	var names []string
	for _, f := range plainest(findings) {
		if len(names) < shownSigns {
			names = append(names, t.Words.Sign(f.Sign))
		}
	}
	if len(names) == 0 {
		return ""
	}
	return t.Words.Text("signs-seen", "Signs", strings.Join(names, "; "))
}

// plainest returns the findings that say something, the plainest first.
func plainest(findings []house.Finding) (some []house.Finding) {
	for _, f := range findings {
		if f.Score > 0 && f.Missing == "" {
			some = append(some, f)
		}
	}
	slices.SortStableFunc(some, func(a, b house.Finding) int { return cmp.Compare(b.Score, a.Score) })
	return some
}

// gravest returns, of each person found on a visit and under "" of its
// strangers, the face that looks most like a picture: one held up between
// others is a warning for all of them.
func gravest(v house.Visit) map[string]*house.Liveness {
	of := make(map[string]*house.Liveness)
	for _, still := range v.Stills {
		for _, f := range still.Faces {
			person := f.Whose()
			switch {
			case f.IsNone():
				continue
			case f.Said == nil && f.Match != nil && f.Match.Band == string(match.None):
				person = ""
			}
			if f.Liveness != nil && (of[person] == nil || graver(*f.Liveness, *of[person])) {
				of[person] = f.Liveness
			}
		}
	}
	return of
}

func graver(a, b house.Liveness) bool {
	grave := []house.LivenessLevel{house.NoSign, house.Doubtful, house.Picture}
	return cmp.Or(slices.Index(grave, a.Level)-slices.Index(grave, b.Level),
		cmp.Compare(a.Probability, b.Probability)) > 0
}

// warn adds warnings to a card. Whom a picture shows was not there for all that
// is known, so the name does not stand alone.
func (t Presenter) warn(c *Card, strangers int) {
	of := gravest(c.Visit)
	for i := range c.Persons {
		line := &c.Persons[i]
		if line.Warning = t.Warning(of[line.Person]); line.Warning.Picture() {
			line.Headline, line.Warning.Headed = t.Words.Text("level-picture-of", "Whom", line.Name), true
		}
	}
	c.Warning = t.Warning(of[""])
	switch {
	case c.Warning == nil:
	case c.Warning.Picture() && c.Outcome == review.Unknown && strangers == 1:
		c.Headline, c.Warning.Headed = t.Words.Text("level-picture-of-stranger"), true
	case strangers > 1:
		c.Warning.Words = t.Words.Text("warning-of-some", "Warning", c.Warning.Words)
	case c.Outcome == review.Someone:
		c.Warning.Words = t.Words.Text("warning-of-stranger", "Warning", c.Warning.Words)
	}
}

// A Sign is a finding on the page of a visit.
type Sign struct {
	Code     string
	Name     string
	Says     string
	Score    string // 0 to 1, for a bar
	Strength string // the same in words
	Points   string // of the polygon to draw; "" if it has no place on the still
	Region   string // id of the polygon on the page
	Address  string // of the page on which it is drawn
	Shown    bool
}

// judged adds to a face on the page of a visit what speaks for a picture. Where
// the still is gone there is nothing to draw on.
func (t Presenter) judged(f *Face, l *house.Liveness, s house.Still) {
	if f.Warning = t.Warning(l); f.Warning == nil {
		return
	}
	f.Warning.Seen, f.Warning.Headed = "", f.Warning.Picture() // the list below and the line above say it
	f.Picture = t.Words.Probability(l.Probability)
	f.JudgedOn = max(l.Frames, 1)
	f.Outline = string(l.Level)
	for _, found := range plainest(l.Findings) {
		sign := Sign{Code: found.Sign, Name: t.Words.Sign(found.Sign),
			Says:  t.Words.Reasons(liveness.Reasons(found)),
			Score: t.Words.Sprintf("%.2f", found.Score), Strength: t.strength(found.Score)}
		if s.File != "" && len(found.Region) > 2 {
			sign.Points, sign.Address = points(found.Region), signAddress(s, f.Number, found.Sign)
			sign.Region = fmt.Sprintf("region-%d-%d-%d", s.Frame, f.Number, len(f.Signs))
		}
		f.Signs = append(f.Signs, sign)
	}
}

// strength says a score; which word stands for which number is our own choice.
func (t Presenter) strength(score float64) string {
	of := "faint"
	switch {
	case score >= 2./3:
		of = "plain"
	case score >= 1./3:
		of = "marked"
	}
	return t.Words.Text("sign-strength-"+of, "Score", fmt.Sprintf("%.0f", max(1, 100*score)))
}

// points writes a polygon for SVG.
func points(region []house.Point) string {
	corners := make([]string, len(region))
	for i, p := range region {
		corners[i] = fmt.Sprintf("%g,%g", p.X, p.Y)
	}
	return strings.Join(corners, " ")
}

// signAddress is where a visit is shown with a finding drawn on its still.
func signAddress(s house.Still, face int, sign string) string {
	q := url.Values{"still": {strconv.Itoa(s.Frame)}, "face": {strconv.Itoa(face)}, "finding": {sign}}
	return VisitAddress(s.Visit) + "?" + q.Encode() + "#still-" + strconv.Itoa(s.Frame)
}

// Point has the finding drawn that an address asks for; one that is not there is
// not.
func Point(stills []Still, q url.Values) {
	for i := range stills {
		if q.Has("still") && strconv.Itoa(stills[i].Frame) != q.Get("still") {
			continue
		}
		for j := range stills[i].Faces {
			f := &stills[i].Faces[j]
			for k := range f.Signs {
				f.Signs[k].Shown = strconv.Itoa(f.Number) == q.Get("face") && f.Signs[k].Code == q.Get("finding")
			}
		}
	}
}
