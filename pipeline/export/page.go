package export

import (
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"time"

	"lintel/internal/house"
	"lintel/internal/words"
)

//go:embed page.html
var pageText string

// page are the parts of index.html. Each export puts its own functions in.
var page = template.Must(template.New("page").Funcs(new(Export).words()).Parse(pageText))

// A frame is what of the page is not a list.
type frame struct {
	document
	Rule house.Rule // of visits of persons
}

// writePage writes index.html.
func (e *Export) writePage(w io.Writer, sum Summary, visits, trail *spool) error {
	f := frame{e.document(sum), e.rules.Keep[house.Known]}
	out := joined{w: w}
	out.template(e.page, "head", f)
	out.spool(visits)
	out.template(e.page, "between", f)
	out.spool(trail)
	out.template(e.page, "foot", f)
	return out.err
}

func (j *joined) template(t *template.Template, part string, data any) {
	if j.err == nil {
		j.err = t.ExecuteTemplate(j.w, part, data)
	}
}

// words are the functions that put records into words.
func (e *Export) words() template.FuncMap {
	return template.FuncMap{
		"moment":  e.moment,
		"machine": func(t time.Time) string { return t.In(e.zone).Format(time.RFC3339) },
		"clock":   func(t time.Time) string { return t.In(e.zone).Format("15:04:05") },
		"fate":    e.fateWords,
		"period":  words.For("en").Period,
		"alike":   words.For("en").Alike,
		"counted": counted,
		"missing": func(m missing) string { return missingWords[m] },
		"actor":   func(a string) string { return cmp.Or(actorWords[a], "Somebody") },
		"deed":    deedWords,
		"factor":  factorWords,
		"miss":    missWords,
		"advice":  adviceWords,
	}
}

// moment says a time by the clock and calendar on the household’s wall.
func (e *Export) moment(t time.Time) string {
	return t.In(e.zone).Format("Monday 2 January 2006, 15:04:05 MST")
}

// fateWords say what becomes of a visit, when and why, a sentence each.
func (e *Export) fateWords(v visitRecord) (says []string) {
	w := words.For("en")
	kinds := w.Text("kinds-" + string(v.Fate.Rule))
	when := func(t time.Time) string {
		switch {
		case v.Hold != nil && t.Equal(v.Hold.EndsAt):
			return "when the hold ends"
		case !t.After(e.now):
			return "within the hour"
		}
		return "on " + e.moment(t)
	}
	if v.Hold != nil {
		says = append(says, fmt.Sprintf("The household holds it until %s. Its reason: %s", e.moment(v.Hold.EndsAt),
			v.Hold.Reason))
	}
	if t := v.Fate.SmallerAt; !t.IsZero() && t.Before(v.Fate.GoesAt) {
		says = append(says, fmt.Sprintf("Its stills are replaced by smaller ones %s.", when(t)))
	}
	rule := e.rules.Keep[v.Fate.Rule]
	if t := v.Fate.StillsGoneAt; !t.IsZero() && t.Before(v.Fate.GoesAt) {
		says = append(says, fmt.Sprintf("Its stills go %s. The household’s rule: %s.", when(t), w.Text("schedule-parts-why",
			"Kinds", kinds, "Entry", w.Period(v.Fate.Period), "Stills", w.Period(rule.Stills))))
	}
	if v.Kind == house.Looking {
		says = append(says, "A still of it waits to be examined; until then it goes by the rule for strangers.")
	}
	return append(says, fmt.Sprintf("All of it goes %s. The household’s rule: %s.", when(v.Fate.GoesAt),
		w.Text("schedule-why", "Kinds", kinds, "Period", w.Period(v.Fate.Period))))
}

// counted writes a number of things: "1 day", "2 days".
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// missingWords say what became of a still that is not in the export.
var missingWords = map[missing]string{
	removed:   "This still is gone: by the household’s rules, or because it was erased.",
	lost:      "This still is lost: its file went missing or broke on the household’s disk.",
	broken:    "This still is not here: its file is not as it was written, and can’t be opened.",
	noPicture: "This still is not here: what its file holds can’t be decoded as the picture that it should be.",
	unreadable: "This still is not here: the household’s disk could not read it. Ask for the export again once that " +
		"is mended.",
	notExamined: "This still is kept, and not here: it has not been examined yet, so faces of others on it can’t be " +
		"blurred. Ask for the export again later.",
	notExaminable: "This still is kept, and not here: it could not be examined, so faces of others on it can’t be " +
		"blurred. Ask the household to go over it with you.",
	changing: "This still is not here: it was being worked on while the export was made. Ask for the export again.",
}

// actorWords say who did something, without who in particular.
var actorWords = map[string]string{
	"resident":      "A resident",
	"tablet":        "Somebody at a tablet",
	house.ByCommand: "Somebody at the server",
	house.ByItself:  "Lintel itself, by the rules",
}

// deedWords say what an entry of the trail is about. A word that is not known
// stays as the trail has it.
func deedWords(e entryRecord) string {
	subject := "you"
	if e.Codes {
		return cmp.Or(map[string]string{"changed": "gave you one-time codes",
			"removed": "ended your one-time codes"}[e.Action], e.Action+" your one-time codes")
	}
	if e.Visit != "" {
		subject = "a visit"
	}
	deeds := map[string]string{
		"looked":    "looked at a still of " + subject,
		"added":     "added " + subject,
		"consented": "recorded a consent of yours",
		"withdrew":  "withdrew your consent",
		"enrolled":  "enrolled a reference of yours",
		"held":      "placed a hold on " + subject,
		"released":  "ended the hold on " + subject,
		"changed":   "changed what is kept of " + subject,
		"erased":    "erased " + subject,
		"exported":  "began an export of what is held of " + subject,
	}
	return cmp.Or(deeds[e.Action], e.Action+" "+subject)
}
