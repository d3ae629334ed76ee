package web

import (
	"encoding/json"
	"fmt"
	"html"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// A judgedFace is how a face was judged, and what screens say then.
type judgedFace struct {
	name     string
	liveness *house.Liveness
	named    string // the headline of a person's visit
	unnamed  string // of a stranger's
	says     []string
	saysNone []string
	loud     bool
}

const (
	noEyes = "Can’t tell more. The eyes could not be made out. There is only one still of this ring, and one alone " +
		"tells little."
	caution = "A good photograph of a face passes."
)

func judgedFaces() []judgedFace {
	findings := []house.Finding{
		{Sign: liveness.Network, Score: 0},
		{Sign: liveness.Edges, Score: .25, Values: []float64{7.5, .5, .25, 3, 2, 1, 1, 1},
			Region: []house.Point{{X: 20, Y: 30}, {X: 60, Y: 30}, {X: 40, Y: 70}}},
		{Sign: liveness.Repeat, Score: .875, Values: []float64{3, .125, 30}},
		{Sign: liveness.Detail, Missing: liveness.Dark},
	}
	return []judgedFace{
		{name: "not judged", named: "Ilse", unnamed: "A stranger", saysNone: []string{"picture", "Can’t tell"}},
		{name: "no sign on one still", liveness: &house.Liveness{Level: house.NoSign, Probability: .02, Frames: 1,
			CantTell: []string{liveness.OneFrame}}, named: "Ilse", unnamed: "A stranger",
			saysNone: []string{"picture", "No sign", "Can’t tell", `aria-label="Warning:"`}},
		{name: "no sign on three", liveness: &house.Liveness{Level: house.NoSign, Probability: .02, Frames: 3,
			Findings: findings[:1]}, named: "Ilse", unnamed: "A stranger",
			saysNone: []string{"picture", "No sign", "Can’t tell", `aria-label="Warning:"`}},
		{name: "doubtful", liveness: &house.Liveness{Level: house.Doubtful, Probability: .5, Frames: 1,
			CantTell: []string{liveness.NoEyes, liveness.OneFrame}, Findings: findings}, named: "Ilse", unnamed: "A stranger",
			says:     []string{"Doubtful: may be a picture", noEyes, `aria-label="Warning:"`},
			saysNone: []string{"Looks like", "No sign"}, loud: true},
		{name: "picture", liveness: &house.Liveness{Level: house.Picture, Probability: .93, Frames: 3, Findings: findings},
			named: "Looks like a picture of Ilse", unnamed: "Looks like a picture of a stranger",
			says:     []string{"Looks like a picture", `aria-label="Warning:"`},
			saysNone: []string{"Doubtful", "No sign", "Can’t tell"}, loud: true},
		{name: "picture, findings gone", liveness: &house.Liveness{Level: house.Picture, Probability: .93, Frames: 3},
			named: "Looks like a picture of Ilse", unnamed: "Looks like a picture of a stranger",
			says: []string{"Looks like a picture"}, saysNone: []string{"Seen:"}, loud: true},
	}
}

// check reads a place where a visit is shown.
func (c judgedFace) check(t *testing.T, where, body, headline string) {
	t.Helper()
	text := textOf(t, body)
	if !strings.Contains(text, headline) {
		t.Errorf("the %s lacks the headline %q: %s", where, headline, text)
	}
	if where == "row" { // short: warnings alone
		if strings.Contains(text, "picture") != c.loud || strings.Contains(text, "Warning:") != c.loud {
			t.Errorf("the row warns, or does not: %s", text)
		}
		return
	}
	for _, want := range c.says {
		if !strings.Contains(body, want) {
			t.Errorf("the %s lacks %q: %s", where, want, text)
		}
	}
	for _, not := range c.saysNone {
		if strings.Contains(text, not) && !strings.Contains(not, "=") || strings.Contains(not, "=") &&
			strings.Contains(body, not) {
			t.Errorf("the %s says %q: %s", where, not, text)
		}
	}
}

// TestWarnings keeps a person's and a stranger's visit for each way that a face
// can have been judged, and reads every place where the visits are shown.
func TestWarnings(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	tablet := h.session(h.tablet("Hall", "Odile"))
	p := h.enrolled("Ilse")
	for i, c := range judgedFaces() {
		for _, person := range []house.Person{p, none} {
			t.Run(fmt.Sprintf("%s, %q", c.name, person.Name), func(t *testing.T) {
				h.within(t)
				visit := h.rung(fmt.Sprintf("R%d%s", i, person.Name), 0, still(t, uint8(i))).Visit
				f := face(10, 50, person, 1e-5, "strong")
				f.Liveness = c.liveness
				record(t, h.archive, visit, 0, f)
				headline := c.unnamed
				if person.ID != "" {
					headline = c.named
				}
				stored, err := h.archive.Visit(t.Context(), visit)
				if err != nil {
					t.Fatal(err)
				}
				var card strings.Builder
				if err := drawPage(&card, language, "card", h.presenter().Ring(stored)); err != nil {
					t.Fatal(err)
				}
				row := string(h.get("/visits", in).is(200).body)
				from := strings.Index(row, `href="/visits/`+visit+`"`)
				row = row[from : from+strings.Index(row[from:], "</li>")]
				page := string(h.get("/visits/"+visit, tablet).is(200).body)
				for where, body := range map[string]string{"card": "<article" + strings.SplitN(card.String(), "<article", 2)[1],
					"row": "<a " + row, "page": page} {
					c.check(t, where, body, headline)
				}
				// Beside what looks like a picture nothing is drawn as a good match is.
				if c.liveness != nil && c.liveness.Level == house.Picture && (strings.Contains(card.String(), "bars") ||
					strings.Contains(row, "bars") || strings.Contains(page, `"strong"`)) {
					t.Error("a picture looks like a good match")
				}
				if got, want := strings.Count(page, caution), btoi(person.ID != ""); got != want {
					t.Errorf("the page says %d times that a photograph passes", got)
				}
				checkMarkup(t, card.String())
				checkMarkup(t, page)
			})
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

var (
	tags       = regexp.MustCompile(`(?s)<[^>]*>`)
	spoken     = regexp.MustCompile(`(?:aria-label|alt|title|placeholder)="([^"]*)"`)
	whitespace = regexp.MustCompile(`\s+`)
	unsaid     = regexp.MustCompile(`(?i)\b(live|liveness|alive|real)\b`)
)

// textOf returns what a page shows or says aloud, and checks that it does not
// call a face live or real: that no sign was seen proves nothing.
func textOf(t *testing.T, page string) string {
	t.Helper()
	text := wordsOn(page)
	if bad := unsaid.FindString(text); bad != "" {
		t.Errorf("a screen says %q: %s", bad, text)
	}
	return text
}

func wordsOn(page string) string {
	text := tags.ReplaceAllStringFunc(page, func(tag string) string {
		var words []string
		for _, m := range spoken.FindAllStringSubmatch(tag, -1) {
			words = append(words, m[1])
		}
		return " " + strings.Join(words, " ") + " "
	})
	return strings.TrimSpace(whitespace.ReplaceAllString(html.UnescapeString(text), " "))
}

// TestWarningOfSeveral says of which face a warning is, where there are more.
func TestWarningOfSeveral(t *testing.T) {
	h := newHouse(t)
	judged := func(f house.Face, level house.LivenessLevel, p float64) house.Face {
		f.Liveness = &house.Liveness{Level: level, Probability: p, Frames: 1}
		return f
	}
	i, j, unknown := face(10, 50, ilse, 1e-5, "strong"), face(99, 50, jory, 1e-5, "strong"), face(60, 50, none, 0, "")
	for _, c := range []struct {
		name   string
		stills []house.Still
		says   []string
		none   []string
	}{
		{"one of two persons", []house.Still{examined(house.Done, judged(i, house.Picture, .9),
			judged(j, house.NoSign, .1))},
			[]string{"Looks like a picture of Ilse The face on it is a strong match.", "Jory strong match"},
			[]string{"picture of Jory"}},
		{"the stranger beside a person",
			[]house.Still{examined(house.Done, judged(i, house.NoSign, .1), judged(unknown, house.Doubtful, .5))},
			[]string{"and a stranger Warning: Doubtful: may be a picture (the stranger)"}, []string{"picture of"}},
		{"a stranger who shows no sign beside a person",
			[]house.Still{examined(house.Done, i, judged(unknown, house.NoSign, .1))}, nil, []string{"picture"}},
		{"one of several strangers",
			[]house.Still{examined(house.Done, judged(unknown, house.NoSign, .1), judged(unknown, house.Picture, .9))},
			[]string{"2 strangers Warning: Looks like a picture (one of the strangers at least)"}, []string{"picture of"}},
		{"while more is to come", []house.Still{examined(house.Done, judged(unknown, house.Picture, .9)),
			examined(house.Pending)},
			[]string{"Not examined yet Warning: Looks like a picture"}, []string{"picture of"}},
		{"no sign while more is to come", []house.Still{examined(house.Done, judged(unknown, house.NoSign, .1)),
			examined(house.Pending)}, nil, []string{"picture"}},
		{"the gravest of a person's stills", []house.Still{examined(house.Done, judged(i, house.NoSign, .1)),
			examined(house.Done, judged(i, house.Picture, .9)), examined(house.Done, judged(i, house.Doubtful, .99))},
			[]string{"Looks like a picture of Ilse"}, []string{"Doubtful"}},
		{"a match of no band is a stranger",
			[]house.Still{examined(house.Done, judged(face(10, 50, ilse, .5, "none"), house.Picture, .9))},
			[]string{"Looks like a picture of a stranger"}, []string{"Ilse"}},
		{"a level of a later version", []house.Still{examined(house.Done, judged(i, "of-clay", .9))}, nil,
			[]string{"picture", "clay"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var b strings.Builder
			if err := drawPage(&b, language, "card", h.presenter().Ring(house.Visit{Stills: c.stills})); err != nil {
				t.Fatal(err)
			}
			text := textOf(t, b.String())
			for _, want := range c.says {
				if !strings.Contains(text, want) {
					t.Errorf("lacks %q: %s", want, text)
				}
			}
			for _, not := range c.none {
				if strings.Contains(text, not) {
					t.Errorf("says %q: %s", not, text)
				}
			}
		})
	}
}

// checkFindings has the plainest finding first, then the one with a place. What was
// not seen speaks for nobody.
func checkFindings(t *testing.T, text string, findings []house.Finding) {
	t.Helper()
	sign, at := speak(language).Sign, 0
	for _, want := range []string{sign(findings[2].Sign) + " plain, 88 of 100",
		sign(findings[1].Sign) + " faint, 25 of 100"} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("no %q, or not in its place: %s", want, text)
		}
		at += i
	}
	for _, quiet := range []house.Finding{findings[0], findings[3]} {
		if strings.Contains(text, sign(quiet.Sign)) {
			t.Errorf("says what was not seen: %s", text)
		}
	}
	if !strings.Contains(text, "Probability of a picture 50 %, by this still.") {
		t.Errorf("no probability: %s", text)
	}
}

// TestFindingsOnVisitPage lists findings by what they say, and has the one that
// an address asks for drawn on its still.
func TestFindingsOnVisitPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	judged := judgedFaces()[3].liveness
	visit := h.rung("R1", 2, still(t, 1)).Visit // frame 2, the only one
	f, g := face(10, 50, none, 0, ""), face(90, 40, none, 0, "")
	f.Liveness = judged
	record(t, h.archive, visit, 0, f, g)
	page := func(query string) string {
		t.Helper()
		body := string(h.get("/visits/"+visit+query, in).is(200).body)
		checkMarkup(t, body)
		return body
	}
	body, grid := page(""), judged.Findings[1]
	checkFindings(t, textOf(t, body), judged.Findings)
	if got := strings.Count(body, "<meter"); got != 2 {
		t.Errorf("%d bars of 2 findings", got)
	}
	if !strings.Contains(body, `points="20,30 60,30 40,70"`) || strings.Count(body, "<polygon") != 1 ||
		strings.Contains(body, "region shown") {
		t.Errorf("the polygon is not there, hidden: %s", body)
	}
	link := regexp.MustCompile(`<a class="sign" href="(/visits/[^?"]*\?[^"#]*)#still-2"`).FindStringSubmatch(body)
	if link == nil || strings.Count(body, `class="sign" href`) != 1 || !strings.Contains(body, `id="still-2"`) {
		t.Fatalf("no link to the one finding with a place: %s", body)
	}
	drawn := string(h.get(strings.ReplaceAll(link[1], "&amp;", "&"), in).is(200).body)
	if !strings.Contains(drawn, `<polygon class="region shown" id="region-2-1-1" points="20,30 60,30 40,70"/>`) ||
		!strings.Contains(drawn, `aria-current="true"`) {
		t.Errorf("the finding is not drawn: %s", drawn)
	}
	if short := page("?" + url.Values{"finding": {grid.Sign}, "face": {"1"}}.Encode()); !strings.Contains(short,
		"region shown") {
		t.Error("the finding is not drawn where no still is named")
	}
	for _, other := range []string{"?finding=edges&face=2", "?finding=detail&face=1", "?finding=repeat&face=1",
		"?finding=edges&face=1&still=0", "?finding=edges", "?face=1", "?finding=%3Cb%3E&face=x&still=-1"} {
		if body := page(other); strings.Contains(body, "region shown") {
			t.Errorf("%s draws the finding", other)
		}
	}
}

// TestLivenessJSON holds what programs get against the document, and reads it
// back.
func TestLivenessJSON(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	p := h.enrolled("Ilse")
	for i, c := range judgedFaces() {
		t.Run(c.name, func(t *testing.T) {
			h.within(t)
			visit := h.rung(fmt.Sprint("R", i), 0, still(t, uint8(i))).Visit
			f := face(10, 42, p, 1e-5, "strong")
			f.Liveness = c.liveness
			record(t, h.archive, visit, 0, f)
			a := h.get("/api/v1/visits/"+visit, h.session(token)).is(200)
			readDocument(t).checkAnswer(t, "GET", "/api/v1/visits/{visit}", a)
			if strings.Contains(string(a.body), `"liveness"`) != (c.liveness != nil) {
				t.Fatalf("judged, or not: %s", a.body)
			}
			v := h.visit(visit, token)
			checkLiveness(t, v.Stills[0].Faces[0].Liveness, c.liveness)
		})
	}
}

// TestLiveTellsWarnings has a tablet told of each way that a face can have been
// judged, for programs and as a card.
func TestLiveTellsWarnings(t *testing.T) {
	for _, c := range judgedFaces() {
		inBubble(t, func(t *testing.T, h *liveHouse) {
			h.resident("Odile")
			conn := h.connect(t, h.tablet("Hall", "Odile"), 0)
			visit := h.rung("R1", 0, still(t, 1)).Visit
			conn.nextVisit()
			f := face(10, 42, h.enrolled("Ilse"), 1e-5, "strong")
			f.Liveness = c.liveness
			record(t, h.archive, visit, 0, f)
			m := conn.nextVisit()
			checkLiveness(t, m.Visit.Stills[0].Faces[0].Liveness, c.liveness)
			if text := textOf(t, m.Card); !strings.Contains(text, c.named) || strings.Contains(text, "Warning:") != c.loud {
				t.Errorf("%s: the card says %s", c.name, text)
			}
		})
	}
}

func checkLiveness(t *testing.T, got *livenessJSON, want *house.Liveness) {
	t.Helper()
	if (got == nil) != (want == nil) {
		t.Fatalf("%+v, want %+v", got, want)
	}
	if got == nil {
		return
	}
	if got.Level != want.Level || got.Probability != want.Probability || got.Frames != want.Frames ||
		!slices.Equal(got.CantTell, want.CantTell) || got.Says != speak(language).Reasons(liveness.Warning(*want)) ||
		len(got.Findings) != len(want.Findings) {
		t.Errorf("%+v, want %+v", got, want)
	}
	for i, f := range got.Findings {
		w := want.Findings[i]
		var region []house.Point
		for _, p := range f.Region {
			region = append(region, house.Point{X: p[0], Y: p[1]})
		}
		if f.Sign != w.Sign || f.Score != w.Score || f.Missing != w.Missing || !slices.Equal(f.Values, w.Values) ||
			!slices.Equal(region, w.Region) || f.Name == "" || f.Says != speak(language).Reasons(liveness.Reasons(w)) {
			t.Errorf("%+v, want %+v", f, w)
		}
	}
	if b, err := json.Marshal(got); err != nil || strings.Contains(string(b), "null") {
		t.Errorf("%s, %v", b, err)
	}
}

// TestCheckWarns has a face that looks like a picture on Check matches: told on
// the still, beside what would make a reference of it, to programs, and in the
// list of past visits.
func TestCheckWarns(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.enrolledAs("Ada Quill", 1)
	h.enrolledAs("Ben Orrin", 2)
	for i, c := range judgedFaces() {
		t.Run(c.name, func(t *testing.T) {
			h.within(t)
			f := faceAt(descriptorAt(1, h.weakly()))
			f.Liveness = c.liveness
			_, id := h.sees(fmt.Sprint("R", i), f)
			page := string(h.get("/checks/"+id, in).is(200).body)
			text := textOf(t, page)
			reference := "Keep this face as a further reference of Ada Quill"
			if !strings.Contains(text, reference) {
				t.Fatalf("no reference is offered: %s", text)
			}
			if strings.Contains(text, "reference taken from a picture fits the picture") != c.loud ||
				strings.Contains(text, "In question Warning: ") != c.loud {
				t.Errorf("warned, or not: %s", text)
			}
			if strings.Contains(text, "Is this a picture of Ada Quill?") != (c.named != "Ilse") {
				t.Errorf("asked for somebody: %s", text)
			}
			if answer := textOf(t, string(h.get("/checks/"+id+"/answer?answer=else", in).
				is(200).body)); strings.Contains(answer, "reference taken from a picture fits the picture") != c.loud {
				t.Errorf("warned, or not: %s", answer)
			}
			a := h.get("/api/v1/checks/"+id, in).is(200)
			readDocument(t).checkAnswer(t, "GET", "/api/v1/checks/{face}", a)
			var j checkJSON
			a.into(&j)
			checkLiveness(t, j.Liveness, c.liveness)
			checkMarkup(t, page)
		})
	}
}

// TestEarlierStillsWarn has the faces that one is compared with, and past visits
// judged anew, carry their own warnings.
func TestEarlierStillsWarn(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	ada := h.enrolledAs("Ada Quill", 1)
	strong := faceAt(descriptorAt(1, h.strongly()))
	strong.Liveness = &house.Liveness{Level: house.Doubtful, Probability: .4, Frames: 1}
	h.sees("earlier", strong)
	weak := descriptorAt(1, h.weakly())
	f := faceAt(weak)
	f.Liveness = &house.Liveness{Level: house.Picture, Probability: .9, Frames: 1}
	_, id := h.sees("now", f)
	text := textOf(t, string(h.get("/checks/"+id, in).is(200).body))
	if !strings.Contains(text, "Ada Quill, a strong match Warning: Doubtful: may be a picture") {
		t.Errorf("the earlier still does not warn: %s", text)
	}
	if err := h.archive.AddReference(t.Context(),
		house.Reference{Person: ada.ID, Descriptor: weak, FaceWidth: 200, SourceSHA256: [32]byte{9}}); err != nil {
		t.Fatal(err)
	}
	if text := textOf(t, string(h.get("/checks/changes", in).is(200).body)); !strings.Contains(text,
		"Warning: Looks like a picture Ada Quill weak match → Ada Quill strong match") {
		t.Errorf("the past visit does not warn: %s", text)
	}
}

// TestStrangersWarn has a stranger whose one visit looks like a picture: nobody
// makes a reference of it unasked.
func TestStrangersWarn(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	held := like(50, 120) // the widest, and so the one that is shown of all
	held.Liveness = &house.Liveness{Level: house.Picture, Probability: .9, Frames: 1}
	stood := like(50.1, 90)
	stood.Liveness = &house.Liveness{Level: house.NoSign, Probability: .1, Frames: 1}
	picture := h.rings("held", held)
	person := h.rings("stood", stood)
	for _, path := range []string{"/people/strangers", "/visits/" + person} {
		text := strings.Replace(textOf(t, string(h.get(path, in).is(200).body)), "This face rang 2 times today ", "", 1)
		if !strings.Contains(text, "The face, from a still Warning: Looks like a picture") {
			t.Errorf("%s does not warn: %s", path, text)
		}
	}
	a := h.seenAgainBy(in)
	readDocument(t).checkAnswer(t, "GET", "/api/v1/strangers", h.get("/api/v1/strangers", in))
	for _, v := range a.Strangers[0].Visits {
		want := stood.Liveness
		if v.Visit == picture {
			want = held.Liveness
		}
		checkLiveness(t, v.Faces[0].Liveness, want)
	}
	body := string(h.get("/people/strangers/"+a.Strangers[0].ID+"/person", in).is(200).body)
	if text := textOf(t, body); strings.Count(text, "Warning: Looks like a picture") != 1 ||
		!strings.Contains(text, "reference taken from a picture fits the picture") {
		t.Errorf("the page does not warn: %s", text)
	}
	ticked := regexp.MustCompile(`name="visit" value="([^"]+)"( checked)?`).FindAllStringSubmatch(body, -1)
	if len(ticked) != 2 {
		t.Fatalf("%q", ticked)
	}
	for _, tick := range ticked {
		if (tick[2] != "") != (tick[1] == person) {
			t.Errorf("visit %s is ticked, or not: the picture is %s", tick[1], picture)
		}
	}
	checkMarkup(t, body)
}
