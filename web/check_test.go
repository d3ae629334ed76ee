package web

import (
	"bytes"
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
	"lintel/web/view"
)

// descriptorAt returns a descriptor at a distance from that of the person of a
// number, and from those of all other numbers by more than 1.
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
	err := h.archive.AddReference(h.t.Context(), house.Reference{
		Person: p.ID, Descriptor: descriptorAt(number, 0), FaceWidth: 200, SourceSHA256: [32]byte{byte(number)},
	})
	if err != nil {
		h.t.Fatal(err)
	}
	return p
}

// consents has a person agree.
func (h *household) consents(person string) {
	h.t.Helper()
	consent := house.Consent{GivenBy: "they", GivenAt: h.clock.now(), Scope: "the door"}
	if err := h.archive.RecordConsent(h.t.Context(), person, consent); err != nil {
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

// between returns the largest distance up to most whose FPIR in the present
// gallery lies between two.
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

// newDoubtfulHouse is a house with Ada and Ben, and a weak match of Ada's.
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

// TestQueue goes through the doubtful visits one by one, as programs and pages do.
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
	if all := h.checks(in, "").Checks; len(all) != len(want) {
		t.Fatalf("%d doubts", len(all))
	} else if all[0].Face == near { // either may be nearer to the line
		want[0], want[1] = want[1], want[0]
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

// TestBesideEarlier shows a face beside earlier ones of the person.
func TestBesideEarlier(t *testing.T) {
	h, in, _, _, _, face := newDoubtfulHouse(t)
	h.get("/checks/"+face, in).is(200).says("No earlier still that surely shows Ada Quill is kept").
		says("References keep no picture")
	_, strong := h.sees("strong", faceAt(descriptorAt(1, h.strongly())))
	_, told := h.sees("told", faceAt(descriptorAt(1, h.weakly()-.001)))
	h.ask("PUT", "/api/v1/checks/"+told, strings.NewReader(`{"answer":"yes"}`), in).is(200)
	var c checkJSON
	h.get("/api/v1/checks/"+face, in).is(200).into(&c)
	var faces []string
	for _, address := range c.Earlier {
		faces = append(faces, strings.Split(address, "/")[4])
	}
	if !slices.Equal(faces, []string{told, strong}) {
		t.Errorf("beside %q, want %q", faces, []string{told, strong})
	}
	page := h.get("/checks/"+face, in).is(200).says("Ada Quill, you said so").says("Ada Quill, a strong match")
	checkMarkup(t, string(page.body))
}

// TestCrop looks at a face cut out of its still, which the audit trail notes as
// a look at its visit.
func TestCrop(t *testing.T) {
	h, in, _, _, visit, face := newDoubtfulHouse(t)
	a := h.get("/api/v1/checks/"+face+"/crop", in).is(200)
	m, err := jpeg.Decode(bytes.NewReader(a.body))
	aligned := image.Rect(0, 0, view.AlignedWidth, view.AlignedHeight)
	if err != nil || a.Header.Get("Content-Type") != "image/jpeg" || m.Bounds() != aligned {
		t.Fatalf("%s, %v, %v", a.Header.Get("Content-Type"), m, err)
	}
	trail, err := h.archive.Trail(t.Context(), 0, 1)
	if err != nil || trail[0].Action != "looked" || trail[0].Subject != "visit "+visit ||
		!strings.HasPrefix(trail[0].Actor, "resident ") {
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
		outcome  review.Outcome
		question string
	}{
		{"yes", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"yes"}, "asked": {ada.ID}}
		}, nil, "Saved: this is Ada Quill.", review.Someone, ""},
		{"yes, and a reference", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"yes"}, "asked": {ada.ID}, "reference": {"true"}}
		}, nil, "The face is a reference from now on", review.Someone, ""},
		{"no", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"no"}, "asked": {ada.ID}}
		}, []string{"The name Ada Quill would be removed from this face", "kept as theirs are.",
			"Photos and entry deleted"},
			"Saved: this is not Ada Quill.", review.Unknown, "no"},
		{"someone else", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"else"}, "asked": {ada.ID}, "person": {ben.ID}}
		}, []string{"Ben Orrin", "A stranger"}, "Saved: this is Ben Orrin.", review.Someone, "else"},
		{"a stranger", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"else"}, "asked": {ada.ID}, "person": {""}, "reference": {"true"}}
		}, nil, "Saved: this is a stranger. It did not become a reference: it is of nobody who is enrolled.",
			review.Unknown, "else"},
		{"not a face", func(ada, ben house.Person) url.Values {
			return url.Values{"answer": {"not-a-face"}, "asked": {ada.ID}}
		}, []string{"would be removed"}, "Saved: this is not a face.", review.NoFace, "not-a-face"},
	} {
		t.Run(test.name, func(t *testing.T) {
			h, in, ada, ben, visit, face := newDoubtfulHouse(t)
			if test.question != "" {
				page := h.get("/checks/"+face+"/answer?answer="+test.question, in).is(200)
				for _, text := range test.says {
					page.says(text)
				}
				checkMarkup(t, string(page.body))
				if v := h.visit(visit, h.resident("Piet")); v.Outcome != review.Someone {
					t.Error("the question alone took the name")
				}
			}
			to := h.post("/checks/"+face, test.fields(ada, ben), in, browser).is(http.StatusSeeOther).Header.Get("Location")
			h.get(to, in, browser).is(200).says(test.done)
			v := h.visit(visit, h.resident("Quint"))
			if m := v.Stills[0].Faces[0].Match; v.Outcome != test.outcome || m == nil || m.Person != ada.ID {
				t.Errorf("outcome %s, %+v", v.Outcome, m)
			}
			h.get("/visits/"+visit, in, browser).is(200).says("aid by ")
			h.get("/checks/"+face, in, browser).is(200).says("Take the answer back")
			h.get("/checks/answers", in, browser).is(200).says("You said: it is")
			h.post("/checks/"+face, test.fields(ada, ben), in).isProblem(409, "answered")
			h.get("/checks/"+face+"/answer?answer=no", in).isProblem(409, "answered")
			h.post("/checks/"+face+"/take-back", nil, in).is(http.StatusSeeOther)
			h.post("/checks/"+face+"/take-back", nil, in).isProblem(404, "not-found")
		})
	}
}

// TestReferenceFromAnswer offers a face as a reference where it is good enough,
// and tells what became of one that was asked for.
func TestReferenceFromAnswer(t *testing.T) {
	for _, test := range []struct {
		width   int
		body    string
		offered bool
		want    review.Enrolment
	}{
		{100, `{"answer":"yes","reference":true}`, true, review.Added},
		{80, `{"answer":"yes"}`, true, review.NotAsked},
		{79, `{"answer":"yes","reference":true}`, false, review.Poor},
		{100, `{"answer":"else","person":"","reference":true}`, true, review.OfNobody},
	} {
		h, in, _, _, _, _ := newDoubtfulHouse(t)
		f := faceAt(descriptorAt(1, h.weakly()))
		f.Box.Max.X = f.Box.Min.X + test.width
		_, face := h.sees("R2", f)
		page := string(h.get("/checks/"+face, in).is(200).body)
		if offered := strings.Contains(page, `name="reference"`); offered != test.offered {
			t.Errorf("%d px: offered %t, want %t", test.width, offered, test.offered)
		}
		var answer struct{ Reference review.Enrolment }
		h.ask("PUT", "/api/v1/checks/"+face, strings.NewReader(test.body), in).is(200).into(&answer)
		if answer.Reference != test.want {
			t.Errorf("%d px, %s: the reference is %q", test.width, test.body, answer.Reference)
		}
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
	if v := h.visit(visit, h.resident("Piet")); v.Outcome != review.Someone {
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
