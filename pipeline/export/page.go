package export

import (
	_ "embed"
	"html"
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
	w := e.speaker(nil)
	return template.FuncMap{
		"say":     w.HTML,
		"time":    e.timeElement,
		"mark":    func(tag, text string) template.HTML { return element(tag, "", text) },
		"link":    func(to, text string) template.HTML { return element("a", ` href="`+to+`"`, text) },
		"clock":   func(t time.Time) string { return t.In(e.zone).Format("15:04:05") },
		"fate":    e.fateWords,
		"period":  w.Period,
		"list":    w.List,
		"known":   func(prefix, code string) string { return known(w, prefix, code) },
		"deed":    func(r entryRecord) string { return deedWords(w, r) },
		"matched": func(f faceRecord) (template.HTML, error) { return e.matched(w, f) },
		"alike":   w.Alike,
	}
}

// element is a part of the page; what is in it is escaped. Attributes are the
// page's own.
func element(tag, attributes, text string) template.HTML {
	return template.HTML("<" + tag + attributes + ">" + html.EscapeString(text) + "</" + tag + ">")
}

func (e *Export) timeElement(t time.Time) template.HTML {
	return element("time", ` datetime="`+t.In(e.zone).Format(time.RFC3339)+`"`, e.moment(t))
}

// moment says a time by the clock and calendar on the household’s wall.
func (e *Export) moment(t time.Time) string {
	local, w := t.In(e.zone), e.speaker(nil)
	return w.Text("export-moment", "Weekday", w.Weekday(local.Weekday()), "Day", local.Day(),
		"Month", w.Month(local.Month()), "Year", local.Year(), "Clock", local.Format("15:04:05 MST"))
}

// fateWords say what becomes of a visit, when and why, a sentence each.
func (e *Export) fateWords(v visitRecord) (says []string) {
	w := e.speaker(nil)
	when := func(t time.Time) string {
		switch {
		case v.Hold != nil && t.Equal(v.Hold.EndsAt):
			return w.Text("when-hold-ends")
		case !t.After(e.now):
			return w.Text("when-within-hour")
		}
		return w.Text("export-when", "Moment", e.moment(t))
	}
	if v.Hold != nil {
		says = append(says, w.Text("export-held", "Moment", e.moment(v.Hold.EndsAt), "Reason", v.Hold.Reason))
	}
	if t := v.Fate.SmallerAt; !t.IsZero() && t.Before(v.Fate.GoesAt) {
		says = append(says, w.Text("export-smaller", "When", when(t)))
	}
	kinds, period := w.Text("kinds-"+string(v.Fate.Rule)), w.Period(v.Fate.Period)
	if t := v.Fate.StillsGoneAt; !t.IsZero() && t.Before(v.Fate.GoesAt) {
		says = append(says, w.Text("export-stills-go", "When", when(t), "Rule", w.Text("schedule-parts-why", "Kinds", kinds,
			"Entry", period, "Stills", w.Period(e.rules.Keep[v.Fate.Rule].Stills))))
	}
	if v.Kind == house.Looking {
		says = append(says, w.Text("export-waits"))
	}
	return append(says, w.Text("export-goes", "When", when(v.Fate.GoesAt),
		"Rule", w.Text("schedule-why", "Kinds", kinds, "Period", period)))
}

// known says a code by the message that a prefix begins. A code of a later
// version stays as it is.
func known(w words.Words, prefix, code string) string {
	if says, err := w.Lookup(prefix + code); err == nil {
		return says
	}
	return code
}

// matched says of a face why it is in the export.
func (e *Export) matched(w words.Words, f faceRecord) (template.HTML, error) {
	if f.Band == "" {
		return w.HTML("export-answered-face", "Width", f.Width)
	}
	return w.HTML("export-face", "Match", element("strong", "", w.Text("export-match", "Band", f.Band)),
		"Distance", w.Sprintf("%.2f", f.Distance), "Width", f.Width)
}

// deedWords say what an entry of the trail is about.
func deedWords(w words.Words, r entryRecord) string {
	about := "person"
	switch {
	case r.Codes:
		about = "codes"
	case r.Visit != "":
		about = "visit"
	}
	if says, err := w.Lookup("export-did-" + r.Action + "-" + about); err == nil {
		return says
	}
	return w.Text("export-did", "Action", r.Action, "What", w.Text("export-about-"+about))
}
