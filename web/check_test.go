package web

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// descriptorAt returns a descriptor at a distance from that of the person of a number,
// and from those of all other numbers by more than 1.
func descriptorAt(number int, distance float64) (d house.Descriptor) {
	d[number] = 1
	d[100] = float32(distance)
	return d
}

// faceAt is a face of 100 pixels on a still of 160.
func faceAt(d house.Descriptor) house.Face {
	return house.Face{Box: image.Rect(30, 10, 130, 110), Descriptor: d,
		Landmarks: []house.Point{{X: 110, Y: 45}, {X: 92, Y: 46}, {X: 50, Y: 45}, {X: 68, Y: 46}, {X: 80, Y: 70}}}
}

// enrolledAs adds a person with consent and a reference of that number.
func (h *household) enrolledAs(name string, number int) house.Person {
	h.t.Helper()
	p := h.enrolled(name)
	h.consents(p.ID)
	if err := h.archive.AddReference(h.t.Context(), house.Reference{Person: p.ID, Descriptor: descriptorAt(number, 0), FaceWidth: 200, SourceSHA256: [32]byte{byte(number)}}); err != nil {
		h.t.Fatal(err)
	}
	return p
}

// consents has a person agree.
func (h *household) consents(person string) {
	h.t.Helper()
	if err := h.archive.RecordConsent(h.t.Context(), person, house.Consent{GivenBy: "they", GivenAt: h.clock.now(), Scope: "the door"}); err != nil {
		h.t.Fatal(err)
	}
}

// sees keeps a ring with that face, judged as the pipeline would, and returns
// the visit and the face's id.
func (h *household) sees(ring string, f house.Face) (visit, face string) {
	h.t.Helper()
	h.clock.advance(time.Minute)
	visit = h.rung(ring, 0, still(h.t, 7)).Visit
	v, err := h.archive.Visit(h.t.Context(), visit)
	if err != nil {
		h.t.Fatal(err)
	}
	g, err := h.gallery.Gallery(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	faces := []house.Face{f}
	g.IdentifyRing([][]house.Face{faces})
	if err := h.archive.Record(h.t.Context(), v.Stills[0].ID, house.Done, faces); err != nil {
		h.t.Fatal(err)
	}
	if v, err = h.archive.Visit(h.t.Context(), visit); err != nil {
		h.t.Fatal(err)
	}
	return visit, v.Stills[0].Faces[0].ID
}

// stillNamed is a distance at which names are still given, whatever the curve says.
const stillNamed = match.MaxDistance - .005

// between returns the largest distance up to most whose FPIR in the present gallery lies between two.
func (h *household) between(low, high, most float64) float64 {
	h.t.Helper()
	g, err := h.gallery.Gallery(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	for d := most; d > 0; d -= .0005 {
		if fpir := g.FPIR(d); fpir > low && fpir <= high {
			return d
		}
	}
	h.t.Fatalf("no distance has an FPIR from %g to %g", low, high)
	return 0
}

func (h *household) strongly() float64   { return h.between(0, 5e-5, stillNamed) }
func (h *household) fairly() float64     { return h.between(3e-4, 9e-4, stillNamed) }
func (h *household) weakly() float64     { return h.between(1.5e-3, 8e-3, stillNamed) }
func (h *household) justBeyond() float64 { return h.between(1.2e-2, 3e-2, 1) }

// newDoubtfulHouse is a house
// with Ada and Ben, and a weak match of Ada's.
func newDoubtfulHouse(t *testing.T) (h *household, in option, ada, ben house.Person, visit, face string) {
	h = newHouse(t)
	in = h.session(h.resident("Odile"))
	ada, ben = h.enrolledAs("Ada Quill", 1), h.enrolledAs("Ben Orrin", 2)
	visit, face = h.sees("weak", faceAt(descriptorAt(1, h.weakly())))
	return h, in, ada, ben, visit, face
}

// saysYes has somebody answer that a face is of whom it is named.
func (h *household) saysYes(face string) {
	h.t.Helper()
	if _, err := h.review.Answer(h.t.Context(), face, review.Given{Answer: house.AnswerYes}); err != nil {
		h.t.Fatal(err)
	}
}

type checkList struct {
	Checks []checkJSON
	Next   string
}

func (h *household) checks(in option, query string) (list checkList) {
	h.t.Helper()
	h.get("/api/v1/checks"+query, in).is(200).into(&list)
	return list
}

// TestQueue has visits of every sureness, and goes through those in doubt one
// by one: nearest to the line between named and not first.
func TestQueue(t *testing.T) {
	h, in, ada, ben, _, weak := newDoubtfulHouse(t)
	_, fair := h.sees("fair", faceAt(descriptorAt(2, h.fairly())))
	h.sees("strong", faceAt(descriptorAt(1, h.strongly())))
	_, near := h.sees("near", faceAt(descriptorAt(1, h.justBeyond())))
	h.sees("far", faceAt(descriptorAt(3, .3)))

	type item struct {
		face, person, band string
		named              bool
	}
	want := []item{{weak, ada.ID, "weak", true}, {near, ada.ID, "none", false}, {fair, ben.ID, "fair", true}}
	all := h.checks(in, "")
	slices.SortFunc(want, func(a, b item) int {
		return slices.IndexFunc(all.Checks, func(c checkJSON) bool { return c.Face == a.face }) - slices.IndexFunc(all.Checks, func(c checkJSON) bool { return c.Face == b.face })
	})
	if want[2].face != fair {
		t.Error("a fair match is more doubtful than a weak one or one just beyond naming")
	}
	cursor := ""
	for i, w := range want {
		page := h.checks(in, "?limit=1&cursor="+cursor)
		if len(page.Checks) != 1 {
			t.Fatalf("page %d: %+v", i, page)
		}
		if c := page.Checks[0]; (item{c.Face, c.Person, c.Band, c.Named}) != w {
			t.Errorf("page %d has %+v, want %+v", i, c, w)
		}
		if cursor = page.Next; (cursor == "") != (i == len(want)-1) {
			t.Errorf("page %d leads to %q", i, cursor)
		}
	}
	// The page says the same, and leads on.
	page := h.get("/checks", in).is(200).says("Is this Ada Quill?").says("/checks?after=")
	checkMarkup(t, string(page.body))
	for _, bad := range []string{"x", "-", "x-", "zzzzzzzzzzzzzzzzzzzzzz-A", "0-A"} {
		h.get("/checks?after="+bad, in).isProblem(400, "bad-query")
		h.get("/api/v1/checks?cursor="+bad, in).isProblem(400, "bad-query")
	}
}

// TestRingJudgedAnew has a ring of two frames, which are judged together as the
// pipeline does, so that nothing is a change of itself.
func TestRingJudgedAnew(t *testing.T) {
	h, in, _, _, _, _ := newDoubtfulHouse(t)
	d := h.weakly()
	h.rung("ring", 0, still(t, 1))
	visit := h.rung("ring", 1, still(t, 2)).Visit
	v, err := h.archive.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	g, err := h.gallery.Gallery(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	frames := [][]house.Face{{faceAt(descriptorAt(1, d-.02))}, {faceAt(descriptorAt(1, d+.01))}}
	g.IdentifyRing(frames)
	if a, b := frames[0][0].Match, frames[1][0].Match; a == nil || b == nil || *a != *b || a.Frames != 2 {
		t.Fatalf("not judged together: %+v, %+v", a, b)
	}
	for i, faces := range frames {
		if err := h.archive.Record(t.Context(), v.Stills[i].ID, house.Done, faces); err != nil {
			t.Fatal(err)
		}
	}
	h.get("/checks/changes", in).is(200).says("Nothing would be found otherwise now")
	var r struct{ Searches int }
	h.get("/api/v1/checks/threshold", in).is(200).into(&r)
	if r.Searches != 2 {
		t.Errorf("%d searches for two visits", r.Searches)
	}
	if got := h.checks(in, "").Checks; len(got) != 2 {
		t.Errorf("%d questions about two visits", len(got))
	}
	// One answer is for both frames.
	v, err = h.archive.Visit(t.Context(), visit)
	if err != nil {
		t.Fatal(err)
	}
	h.ask("PUT", "/api/v1/checks/"+v.Stills[1].Faces[0].ID, strings.NewReader(`{"answer":"no"}`), in).is(200)
	if v := h.visit(visit, h.resident("Piet")); v.Outcome != stranger {
		t.Errorf("the visit still names somebody: %+v", v)
	}
	if got := h.checks(in, "").Checks; len(got) != 1 {
		t.Errorf("%d questions are left", len(got))
	}
}

func TestEmptyQueue(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	for _, path := range []string{"/checks", "/checks/answers", "/checks/changes", "/checks/threshold"} {
		checkMarkup(t, string(h.get(path, in).is(200).body))
	}
	h.get("/checks", in).says("No visit is in doubt")
	h.get("/checks/threshold", in).says("there is nothing to judge a threshold by")
	_, face := h.sees("R1", faceAt(descriptorAt(1, .5)))
	h.get("/api/v1/checks/"+face, in).isProblem(409, "nobody-enrolled")
	h.get("/checks/threshold", in).says("there is nothing to judge a threshold by")
}

// TestBesideEarlier compares a face with the nearest earlier ones of the person:
// strong ones and confirmed ones, one a visit, three at most.
func TestBesideEarlier(t *testing.T) {
	h, in, _, _, _, face := newDoubtfulHouse(t)
	h.get("/checks/"+face, in).is(200).says("No earlier still that surely shows Ada Quill is kept").says("References keep no picture")
	var faces []string
	for i := range 5 {
		d := descriptorAt(1, h.strongly()-float64(i)*.02)
		_, f := h.sees(fmt.Sprint("strong-", i), faceAt(d))
		faces = append(faces, f)
	}
	shown := func() (list []string) {
		t.Helper()
		var c checkJSON
		h.get("/api/v1/checks/"+face, in).is(200).into(&c)
		for _, address := range c.Earlier {
			list = append(list, strings.Split(address, "/")[4])
		}
		return list
	}
	if got := shown(); !slices.Equal(got, faces[:3]) {
		t.Errorf("beside %q, want %q", got, faces[:3])
	}
	_, told := h.sees("told", faceAt(descriptorAt(1, h.weakly()-.001)))
	h.ask("PUT", "/api/v1/checks/"+told, strings.NewReader(`{"answer":"yes"}`), in).is(200)
	h.ask("PUT", "/api/v1/checks/"+faces[0], strings.NewReader(`{"answer":"no"}`), in).is(200)
	if got := shown(); !slices.Equal(got, []string{told, faces[1], faces[2]}) {
		t.Errorf("after answers beside %q, want %q", got, []string{told, faces[1], faces[2]})
	}
	checkMarkup(t, string(h.get("/checks/"+face, in).is(200).says("you said so").says("a strong match").body))
}

// TestCrop looks at a face cut out of its still, which the audit trail notes as
// a look at its visit.
func TestCrop(t *testing.T) {
	h, in, _, _, visit, face := newDoubtfulHouse(t)
	a := h.get("/api/v1/checks/"+face+"/crop", in).is(200)
	m, err := jpeg.Decode(bytes.NewReader(a.body))
	if err != nil || a.Header.Get("Content-Type") != "image/jpeg" || m.Bounds() != image.Rect(0, 0, alignedWidth, alignedHeight) {
		t.Fatalf("%s, %v, %v", a.Header.Get("Content-Type"), m, err)
	}
	trail, err := h.archive.Trail(t.Context(), 0, 1)
	if err != nil || trail[0].Action != "looked" || trail[0].Subject != "visit "+visit || !strings.HasPrefix(trail[0].Actor, "resident ") {
		t.Errorf("the trail ends with %+v, %v", trail, err)
	}
	h.get("/api/v1/checks/NONE/crop", in).isProblem(404, "not-found")
	h.get("/api/v1/checks/"+face+"/crop", h.session(h.tablet("Hall", "Odile"))).isProblem(403, "residents-only")
}

// TestAnswerPages answers by the forms of the pages, as a browser without
// scripts does.
func TestAnswerPages(t *testing.T) {
	for _, test := range []struct {
		name     string
		fields   func(ada, ben house.Person) url.Values
		says     []string // on the page before, if there is one
		done     string
		outcome  outcome
		person   int // of the name afterwards
		question string
	}{
		{"yes", func(ada, ben house.Person) url.Values { return url.Values{"answer": {"yes"}, "asked": {ada.ID}} }, nil, "Kept: it is.", someone, 1, ""},
		{"yes, and a reference", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"yes"}, "asked": {ada.ID}, "reference": {"true"}}
		}, nil, "The face is a reference from now on", someone, 1, ""},
		{"no", func(ada, ben house.Person) url.Values { return url.Values{"answer": {"no"}, "asked": {ada.ID}} },
			[]string{"The name Ada Quill would be removed from this face", "kept as theirs are. Goes on"}, "Kept: it is not.", stranger, 0, "no"},
		{"someone else", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"else"}, "asked": {ada.ID}, "person": {ben.ID}}
		}, []string{"Ben Orrin", "A stranger"}, "Kept: it is someone else.", stranger, 0, "else"},
		{"a stranger", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"else"}, "asked": {ada.ID}, "person": {""}, "reference": {"true"}}
		}, nil, "it is nobody", stranger, 0, "else"},
		{"not a face", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"not-a-face"}, "asked": {ada.ID}}
		}, []string{"would be removed"}, "Kept: it is not a face.", stranger, 0, "not-a-face"},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, in, ada, ben, visit, face := newDoubtfulHouse(t)
			if test.question != "" {
				page := h.get("/checks/"+face+"/answer?answer="+test.question, in).is(200)
				for _, text := range test.says {
					page.says(text)
				}
				checkMarkup(t, string(page.body))
				if v := h.visit(visit, h.resident("Piet")); v.Outcome != someone {
					t.Error("the question alone took the name")
				}
			}
			to := h.post("/checks/"+face, test.fields(ada, ben), in, browser).is(http.StatusSeeOther).Header.Get("Location")
			h.get(to, in, browser).is(200).says(test.done)
			v := h.visit(visit, h.resident("Quint"))
			if m := v.Stills[0].Faces[0].Match; v.Outcome != test.outcome || (m != nil) != (test.person == 1) || m != nil && m.Person != ada.ID {
				t.Errorf("outcome %s, %+v", v.Outcome, m)
			}
			h.get("/visits/"+visit, in, browser).is(200).says("You said: it is")
			h.get("/checks/"+face, in, browser).is(200).says("Take the answer back")
			h.get("/checks/answers", in, browser).is(200).says("You said: it is")
			h.post("/checks/"+face, test.fields(ada, ben), in).isProblem(409, "answered")
			h.get("/checks/"+face+"/answer?answer=no", in).isProblem(409, "answered")
			h.post("/checks/"+face+"/take-back", nil, in).is(http.StatusSeeOther)
			h.post("/checks/"+face+"/take-back", nil, in).isProblem(404, "not-found")
		})
	}
}

// TestReferenceFromAnswer offers a face as a reference where that is allowed,
// and makes it one only where it was asked for.
func TestReferenceFromAnswer(t *testing.T) {
	for _, test := range []struct {
		name    string
		width   int
		consent bool
		body    string
		want    string
		more    int
	}{
		{"asked for", 100, true, `{"answer":"yes","reference":true}`, "added", 1},
		{"not asked for", 100, true, `{"answer":"yes"}`, "", 0},
		{"too small", 79, true, `{"answer":"yes","reference":true}`, "poor", 0},
		{"just large enough", 80, true, `{"answer":"yes","reference":true}`, "added", 1},
		{"consent withdrawn", 100, false, `{"answer":"else","person":"{ada}","reference":true}`, "no-consent", 0},
		{"of nobody", 100, true, `{"answer":"else","person":"","reference":true}`, "nobody", 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, in, ada, _, _, _ := newDoubtfulHouse(t)
			f := faceAt(descriptorAt(1, h.weakly()))
			f.Box.Max.X = f.Box.Min.X + test.width
			if !test.consent { // Ben is asked about then
				if _, err := h.archive.WithdrawConsent(t.Context(), ada.ID); err != nil {
					t.Fatal(err)
				}
			}
			_, face := h.sees("R2", f)
			offered := strings.Contains(string(h.get("/checks/"+face, in).is(200).body), `name="reference"`)
			if want := test.width >= 80; offered != want {
				t.Errorf("offered %t, want %t", offered, want)
			}
			before, err := h.archive.Enrolments(t.Context(), ada.ID)
			if err != nil {
				t.Fatal(err)
			}
			var answer struct{ Reference string }
			body := strings.ReplaceAll(test.body, "{ada}", ada.ID)
			h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(body), in).is(200).into(&answer)
			after, err := h.archive.Enrolments(t.Context(), ada.ID)
			if err != nil || answer.Reference != test.want || len(after)-len(before) != test.more {
				t.Errorf("reference %q, %d more, %v", answer.Reference, len(after)-len(before), err)
			}
		})
	}
}

// TestRefusedChecks are answers that can't be taken; each says why, and changes
// nothing.
func TestRefusedChecks(t *testing.T) {
	h, in, ada, ben, visit, face := newDoubtfulHouse(t)
	put := func(face, body string) *answer {
		t.Helper()
		return h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(body), in)
	}
	put("NONE", `{"answer":"yes"}`).isProblem(404, "not-found")
	put(face, `{"answer":"perhaps"}`).isProblem(422, "bad-answer")
	put(face, `{}`).isProblem(422, "bad-answer")
	put(face, `{"answer":"no","person":"`+ben.ID+`"}`).isProblem(422, "bad-answer")
	put(face, `{"answer":"else","person":"`+ada.ID+`"}`).isProblem(422, "bad-answer")
	put(face, `{"answer":"yes","asked":"`+ben.ID+`"}`).isProblem(409, "finding-changed")
	put(face, `{"answer":"else","person":"NONE"}`).isProblem(409, "person-gone")
	put(face, `{"reply":"yes"}`).isProblem(400, "bad-body")
	put(face, ``).isProblem(400, "bad-body")
	h.post("/checks/"+face, url.Values{"answer": {"else"}}, in).isProblem(422, "bad-answer")
	h.post("/checks/"+face, url.Values{}, in, browser).is(422).says("answer")
	h.get("/checks/"+face+"/answer?answer=perhaps", in).isProblem(400, "bad-query")
	h.get("/checks/"+face+"/answer?answer=yes", in).isProblem(400, "bad-query")
	h.ask("DELETE", "/api/v1/checks/"+face, nil, in).isProblem(404, "not-found")
	if v := h.visit(visit, h.resident("Piet")); v.Outcome != someone {
		t.Error("the name is gone")
	}

	// Ben is erased while somebody looks at the list with his name.
	if _, err := h.archive.ErasePerson(t.Context(), ben.ID, false); err != nil {
		t.Fatal(err)
	}
	put(face, `{"answer":"else","person":"`+ben.ID+`"}`).isProblem(409, "person-gone")
	// Ada is erased: the face is a stranger's, and nothing describes it.
	if _, err := h.archive.ErasePerson(t.Context(), ada.ID, false); err != nil {
		t.Fatal(err)
	}
	put(face, `{"answer":"yes","asked":"`+ada.ID+`"}`).isProblem(410, "still-gone")
	h.get("/checks/"+face, in, browser).is(410).says("is gone")
	if err := h.archive.EraseVisit(t.Context(), visit); err != nil {
		t.Fatal(err)
	}
	put(face, `{"answer":"yes"}`).isProblem(404, "not-found")
	h.get("/api/v1/checks/"+face+"/crop", in).isProblem(404, "not-found")
}

// TestChanges enrols somebody better, looks at what would be found now, and has
// some of it applied.
func TestChanges(t *testing.T) {
	h, in, ada, _, visit, face := newDoubtfulHouse(t)
	nearVisit, near := h.sees("near", faceAt(descriptorAt(1, h.justBeyond())))
	h.sees("far", faceAt(descriptorAt(3, .3)))
	var list struct {
		Changes []struct {
			Face         string
			Was, Becomes *findingJSON
		}
	}
	changes := func() map[string]string {
		t.Helper()
		h.get("/api/v1/checks/changes", in).is(200).into(&list)
		found := make(map[string]string)
		for _, c := range list.Changes {
			was, becomes := "stranger", "stranger"
			if c.Was != nil {
				was = c.Was.Name + " " + c.Was.Band
			}
			if c.Becomes != nil {
				becomes = c.Becomes.Name + " " + c.Becomes.Band
			}
			found[c.Face] = was + " → " + becomes
		}
		return found
	}
	if got := changes(); len(got) != 0 {
		t.Fatalf("nothing changed, but %v", got)
	}
	h.get("/checks/changes", in).is(200).says("Nothing would be found otherwise now")
	err := h.archive.AddReference(t.Context(), house.Reference{Person: ada.ID, Descriptor: descriptorAt(1, h.weakly()+.01), FaceWidth: 200, SourceSHA256: [32]byte{99}})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{face: "Ada Quill weak → Ada Quill strong", near: "stranger → Ada Quill strong"}
	if got := changes(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	page := h.get("/checks/changes", in).is(200).says("→ <strong>Ada Quill</strong>").says(`value="` + near + " " + ada.ID + ` strong"`)
	checkMarkup(t, string(page.body))
	if v := h.visit(nearVisit, h.resident("Piet")); v.Outcome != stranger {
		t.Error("a visit was judged anew by looking")
	}

	// Only what was ticked, and only as it was seen.
	to := h.post("/checks/changes", url.Values{"change": {near + " " + ada.ID + " strong", face + " " + ada.ID + " fair", "NONE", ""}}, in).is(303).Header.Get("Location")
	h.get(to, in).is(200).says("1 face judged anew").says("3 faces changed meanwhile")
	if v := h.visit(nearVisit, h.resident("Quint")); v.Outcome != someone || v.Stills[0].Faces[0].Match.Band != "strong" {
		t.Errorf("not judged anew: %+v", v)
	}
	if v := h.visit(visit, h.resident("Rhoda")); v.Stills[0].Faces[0].Match.Band != "weak" {
		t.Errorf("judged anew: %+v", v)
	}
	var answer struct{ Renamed, Left int }
	h.ask("POST", "/api/v1/checks/changes", strings.NewReader(`{"changes":[{"face":"`+face+`","person":"`+ada.ID+`","band":"strong"},{"face":"NONE"}]}`), in).is(200).into(&answer)
	if answer.Renamed != 1 || answer.Left != 1 || len(changes()) != 0 {
		t.Errorf("%+v, and then %v", answer, list.Changes)
	}
}

// TestThreshold judges the visits of a small household at several distances. The
// counts are worked out by hand from the distances.
func TestThreshold(t *testing.T) {
	h, in, ada, ben, _, weak := newDoubtfulHouse(t)
	d := h.weakly()
	h.sees("strong", faceAt(descriptorAt(1, .1)))
	_, wrong := h.sees("wrong", faceAt(descriptorAt(2, .15)))
	h.sees("far", faceAt(descriptorAt(3, .3))) // more than 1 from everybody
	_, nothing := h.sees("nothing", faceAt(descriptorAt(1, .2)))
	for face, body := range map[string]string{wrong: `{"answer":"else","person":""}`, nothing: `{"answer":"not-a-face"}`} {
		h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(body), in).is(200)
	}
	type result struct {
		Distance, Present               float64
		Searches, Answered              int
		Named, Missed, Misnamed, Called []searchJSON
		LeftUnnamed                     int       `json:"left_unnamed"`
		FNIR, FPIR                      *rateJSON `json:"-"`
		Det                             []struct{ Threshold, FPIR, FNIR float64 }
	}
	for _, test := range []struct {
		distance                   float64
		named, missed, called, not int
	}{
		{.2, 1, 1, 1, 1}, // Ada at .1; her weak match is missed; the stranger at .15 from Ben is called Ben
		{d + .01, 2, 0, 1, 1},
		{.9, 2, 0, 1, 1},
	} {
		var r result
		h.get(fmt.Sprintf("/api/v1/checks/threshold?distance=%g", test.distance), in).is(200).into(&r)
		if len(r.Named) != test.named || len(r.Missed) != test.missed || len(r.Called) != test.called || r.LeftUnnamed != test.not || len(r.Misnamed) != 0 {
			t.Errorf("at %g: %+v", test.distance, r)
		}
		if r.Searches != 4 || r.Answered != 1 {
			t.Errorf("%d searches, %d answered", r.Searches, r.Answered)
		}
		for _, s := range r.Missed {
			if s.Face != weak || s.Truth != ada.ID || s.Answered {
				t.Errorf("missed %+v", s)
			}
		}
		for _, s := range r.Called {
			if s.Face != wrong || s.Truth != "" || s.Nearest != ben.ID || !s.Answered {
				t.Errorf("called %+v", s)
			}
		}
		// From no rate to the other's end, as a DET curve goes.
		if last := r.Det[len(r.Det)-1]; r.Det[0].FNIR != .5 || r.Det[0].FPIR != 0 || last.FNIR != 0 || last.FPIR != 1 {
			t.Errorf("the curve is %+v", r.Det)
		}
	}
	page := h.get("/checks/threshold?distance=0.2", in).is(200).says("Strangers called by a name").says("called Ben Orrin").says("Ada Quill, at distance").
		says(`<svg class="plot"`).says("<title id=\"det-title\">").says("<desc id=\"histogram-desc\">").says("<caption>Rates at thresholds")
	if strings.Contains(string(page.body), "style=") {
		t.Error("inline style, which the policy forbids")
	}
	checkMarkup(t, string(page.body))
	for _, bad := range []string{"x", "0.1", "1", "NaN", "-1", "1e9"} {
		h.get("/checks/threshold?distance="+bad, in).isProblem(400, "bad-query")
		h.get("/api/v1/checks/threshold?distance="+bad, in).isProblem(400, "bad-query")
	}
}

// TestRateWords never lets a rate be 0 % for want of errors.
func TestRateWords(t *testing.T) {
	for _, test := range []struct {
		rate match.Rate
		want string
	}{
		{match.Rate{}, "nothing to count"},
		{match.Rate{N: 10}, "none of 10, so at most 31 %"},                            // 1 - 0.025^(1/10) = 30.85 %
		{match.Rate{Errors: 1, N: 10}, "1 of 10, 10 %, 95 % interval 0.25 % to 45 %"}, // Clopper-Pearson 0.0025 to 0.4450, as R's binom.test(1, 10) prints (from memory)
	} {
		if got := rateWords(test.rate); got != test.want {
			t.Errorf("%+v: %q, want %q", test.rate, got, test.want)
		}
	}
}

// TestThresholdIsSure has a reference that is the face itself: it would be found
// at any threshold, and so says nothing.
func TestThresholdIsSure(t *testing.T) {
	h, in, _, _, _, face := newDoubtfulHouse(t)
	h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(`{"answer":"yes","reference":true}`), in).is(200)
	var r struct{ Searches int }
	h.get("/api/v1/checks/threshold", in).is(200).into(&r)
	if r.Searches != 0 {
		t.Errorf("%d searches", r.Searches)
	}
}

// checkChecks checks the addresses of Check matches against their description.
func (h *household) checkChecks(check func(method, pattern, query string, status int, options ...option), in, tablet option) {
	const checks, one, crop, changes, threshold = "/api/v1/checks", "/api/v1/checks/{face}", "/api/v1/checks/{face}/crop", "/api/v1/checks/changes", "/api/v1/checks/threshold"
	check("GET", checks, "", 200, in)
	check("GET", checks, "?limit=1", 200, in)
	check("GET", checks, "?limit=0", 400, in)
	check("GET", checks, "?cursor=x", 400, in)
	check("GET", one, "", 200, in)
	check("GET", crop, "", 200, in)
	check("PUT", one, "", 400, in, sends(`{`))
	check("PUT", one, "", 413, in, sends(strings.Repeat(" ", maxJSON+1)))
	check("PUT", one, "", 422, in, sends(`{"answer":"perhaps"}`))
	check("PUT", one, "", 409, in, sends(`{"answer":"else","person":"NONE"}`))
	check("DELETE", one, "", 404, in)
	check("PUT", one, "", 200, in, sends(`{"answer":"yes","reference":true}`))
	check("PUT", one, "", 409, in, sends(`{"answer":"yes"}`))
	check("GET", one, "", 200, in)
	check("GET", changes, "", 200, in)
	check("POST", changes, "", 200, in, sends(`{"changes":[]}`))
	check("POST", changes, "", 400, in, sends(`[]`))
	check("GET", threshold, "", 200, in)
	check("GET", threshold, "?distance=x", 400, in)
	check("DELETE", one, "", 200, in)
	for _, pattern := range []string{"GET " + checks, "GET " + one, "PUT " + one, "DELETE " + one, "GET " + crop, "GET " + changes, "POST " + changes, "GET " + threshold} {
		method, path, _ := strings.Cut(pattern, " ")
		check(method, path, "", 401)
		check(method, path, "", 403, tablet)
	}
}

// BenchmarkChecks asks for the pages of a busy house: 300 strangers and 300
// persons of a month, all of them in doubt. Run with
//
//	go test ./web -run XXX -bench Checks
func BenchmarkChecks(b *testing.B) {
	h := newHouse(b)
	in := h.session(h.resident("Odile"))
	for i := range 10 {
		h.enrolledAs(fmt.Sprint("Person ", i), i)
	}
	weak, beyond := h.weakly(), h.justBeyond()
	for i := range 300 {
		h.sees(fmt.Sprint("weak-", i), faceAt(descriptorAt(i%10, weak-float64(i)*1e-5)))
		h.sees(fmt.Sprint("near-", i), faceAt(descriptorAt(i%10, beyond+float64(i)*1e-5)))
	}
	deep := h.checks(in, "?limit=100").Next
	for name, path := range map[string]string{
		"first": "/checks", "later": "/checks?after=" + deep, "api": "/api/v1/checks", "changes": "/checks/changes", "threshold": "/checks/threshold?distance=0.5",
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				h.get(path, in).is(200)
			}
		})
	}
}

// TestOneFaceIsOneReference has a stranger's face enrolled as somebody's from
// Strangers seen again, and then again from Check matches: it counts once.
func TestOneFaceIsOneReference(t *testing.T) {
	h, in, ada, _, _, _ := newDoubtfulHouse(t)
	near := descriptorAt(1, stillNamed+.01)
	_, face := h.sees("R7", faceAt(near))
	h.sees("R8", faceAt(near))
	before, err := h.archive.Enrolments(t.Context(), ada.ID)
	if err != nil {
		t.Fatal(err)
	}
	v, err := h.archive.Sighting(t.Context(), face)
	if err != nil || v.Face.Match != nil {
		t.Fatalf("the face is nobody stranger's: %+v, %v", v.Face.Match, err)
	}
	var done introduced
	h.ask("POST", "/api/v1/strangers/"+face+"/person", strings.NewReader(`{"person":"`+ada.ID+`","visits":["`+v.Visit+`"]}`), in).is(http.StatusCreated).into(&done)
	if done.References != 1 {
		t.Fatalf("%d references of the introduction", done.References)
	}
	var answer struct{ Reference string }
	h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(`{"answer":"yes","reference":true}`), in).is(200).into(&answer)
	after, err := h.archive.Enrolments(t.Context(), ada.ID)
	if err != nil || answer.Reference != string(review.AlreadyThere) || len(after) != len(before)+1 {
		t.Errorf("the face became a reference %d times (%q), %v", len(after)-len(before), answer.Reference, err)
	}
}
