package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
	"lintel/pipeline/quality"
)

// maxStrangers is how many faces of strangers are grouped, the newest. It bounds
// the time and the memory that takes; see package cluster.
const maxStrangers = 10_000

// maxReferences is how many references are enrolled of a group: more of the same
// days add little, and each is compared with every face to come.
const maxReferences = 8

// minReferenceWidth is the width in pixels under which a face makes no reference,
// where nothing else was measured of its quality.
const minReferenceWidth = quality.MinWidth

// minGroupedWidth is the width in pixels under which a face is in no group: error
// rates grow tenfold between 32 and 24 pixels, and no longer are as stated.
const minGroupedWidth = 32

// groups remembers the strangers' groups, as long as no visit changes: they are
// worked out again from what the archive holds whenever one does, and so go with
// the stills they came from. No descriptor is remembered.
type groups struct {
	mu       sync.Mutex // held while they are worked out, so that it is done once
	known    bool
	revision int64
	distance float64 // within which they are
	all      []strangerGroup
}

// A strangerGroup is the faces that are probably one stranger's, newest first,
// of which there is at least one.
type strangerGroup struct {
	Faces  []house.Sighting // without descriptors
	Visits []strangerVisit  // newest first
}

// A strangerVisit is a visit with the stranger's faces there, the best first.
type strangerVisit struct {
	ID, Bell   string
	ReceivedAt time.Time
	Faces      []house.Sighting
}

// first returns when the stranger rang first, of what is kept.
func (g strangerGroup) first() time.Time { return g.Visits[len(g.Visits)-1].ReceivedAt }

// strangers returns the groups of strangers, the one seen last first, and the
// distance within which the faces of a group are.
func (s *Server) strangers(ctx context.Context) (all []strangerGroup, distance float64, err error) {
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return nil, 0, err
	}
	distance = cluster.Distance(gallery.Curve(), cluster.FMR)
	g := &s.groups
	g.mu.Lock()
	defer g.mu.Unlock()
	// The revision comes first: what changes after it is read again.
	revision, err := s.Archive.Revision(ctx)
	if err != nil {
		return nil, 0, err
	}
	if g.known && g.revision == revision && g.distance == distance {
		return g.all, distance, nil
	}
	faces, err := s.Archive.Strangers(ctx, maxStrangers)
	if err != nil {
		return nil, 0, err
	}
	g.all, g.revision, g.distance, g.known = groupStrangers(faces, distance), revision, distance, true
	return g.all, distance, nil
}

// groupStrangers groups faces, which come newest first.
func groupStrangers(faces []house.Sighting, distance float64) (all []strangerGroup) {
	faces = slices.DeleteFunc(faces, func(f house.Sighting) bool {
		return widthOf(f.Face) < minGroupedWidth || f.Check != nil && (f.Check.Answer == house.AnswerNotFace || f.Check.Person != "")
	})
	descriptors := make([]house.Descriptor, len(faces))
	for i := range faces {
		descriptors[i] = faces[i].Face.Descriptor
		faces[i].Face.Descriptor = house.Descriptor{}
	}
	for _, places := range cluster.Faces(descriptors, distance) {
		var g strangerGroup
		for _, at := range places {
			g.add(faces[at])
		}
		for _, v := range g.Visits {
			slices.SortStableFunc(v.Faces, better)
		}
		all = append(all, g)
	}
	return all
}

func (g *strangerGroup) add(f house.Sighting) {
	g.Faces = append(g.Faces, f)
	at := slices.IndexFunc(g.Visits, func(v strangerVisit) bool { return v.ID == f.Visit })
	if at < 0 {
		at = len(g.Visits)
		g.Visits = append(g.Visits, strangerVisit{ID: f.Visit, Bell: f.Bell, ReceivedAt: f.ReceivedAt})
	}
	g.Visits[at].Faces = append(g.Visits[at].Faces, f)
}

// strangerOf returns the group that a face is in. The error is ErrNotFound.
func (s *Server) strangerOf(ctx context.Context, face string) (strangerGroup, error) {
	all, _, err := s.strangers(ctx)
	if err != nil {
		return strangerGroup{}, err
	}
	for _, g := range all {
		if slices.ContainsFunc(g.Faces, func(f house.Sighting) bool { return f.ID == face }) {
			return g, nil
		}
	}
	return strangerGroup{}, fmt.Errorf("a stranger's face %s: %w", face, house.ErrNotFound)
}

// best returns the face that shows the stranger best.
func (g strangerGroup) best() house.Sighting {
	return slices.MinFunc(g.Faces, better)
}

// better puts the face first that would make the better reference: by its
// quality, and by its width where that was not measured.
func better(a, b house.Sighting) int {
	return cmp.Or(cmp.Compare(scoreOf(b.Face), scoreOf(a.Face)), widthOf(b.Face)-widthOf(a.Face))
}

// scoreOf is a face's quality, 0 where it was not measured.
func scoreOf(f house.Face) float64 {
	if f.Quality == nil {
		return 0
	}
	score, _ := quality.Judge(*f.Quality)
	return score
}

// widthOf is a face's width in pixels of the still as it was examined; smaller
// ones may have taken its place.
func widthOf(f house.Face) int {
	if f.Quality != nil {
		return f.Quality.FaceWidth
	}
	return f.Width()
}

// faultOf says why a face makes no reference, or "" if it does.
func faultOf(f house.Face) string {
	if f.Quality == nil {
		if f.Width() < minReferenceWidth {
			return fmt.Sprintf("The face is %d pixels wide, and a reference needs %d.", f.Width(), minReferenceWidth)
		}
		return ""
	}
	if _, complaints := quality.Judge(*f.Quality); len(complaints) > 0 {
		return complaintWords(complaints[0])
	}
	return ""
}

// A strangersView is what the page Strangers seen again shows.
type strangersView struct {
	Bar    barView
	Groups []strangerView
}

// A strangerView is a group as pages show it.
type strangerView struct {
	Address string // where to say who it is
	Words   string // how often the face rang, and since when
	Best    faceCrop
	Warning *warningView // of the best face, where there is something to warn of
	Visits  []strangerRow
	More    string // how many there are that are not listed
}

// A strangerRow is a visit of a group.
type strangerRow struct {
	ID      string
	Address string
	When    string
	Bell    string
	Face    faceCrop
	Warning *warningView // of the face, where there is something to warn of
	Chosen  bool
}

// A faceCrop is the part of a still around a face: pixels of the still.
type faceCrop struct {
	Still                   string // address
	StillWidth, StillHeight int
	X, Y, Side              int
}

func (s *Server) strangersPage(w http.ResponseWriter, r *http.Request) {
	view := strangersView{Bar: barOf(r, "People", "Strangers")}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err == nil {
		view.Groups, err = s.seenAgain(r.Context(), presenter, "")
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writePage(w, http.StatusOK, "strangers.html", view)
}

// shownAgain is how many visits are listed of a stranger, before somebody asks
// for all of them.
const shownAgain = 6

// seenAgain shows the strangers who rang at least twice: all of them, or those
// of one visit.
func (s *Server) seenAgain(ctx context.Context, t presenter, visit string) (views []strangerView, err error) {
	all, _, err := s.strangers(ctx)
	if err != nil {
		return nil, err
	}
	for _, g := range all {
		if len(g.Visits) < 2 || visit != "" && !slices.ContainsFunc(g.Visits, func(v strangerVisit) bool { return v.ID == visit }) {
			continue
		}
		view := t.strangerView(g)
		if n := len(view.Visits); n > shownAgain {
			view.Visits, view.More = view.Visits[:shownAgain], counted(n-shownAgain, "earlier visit")
		}
		view.Warning = newWarningView(g.best().Face.Liveness)
		if view.Best, err = s.cropOf(ctx, g.best()); err != nil {
			return nil, err
		}
		views = append(views, view)
	}
	return views, nil
}

func (t presenter) strangerView(g strangerGroup) strangerView {
	view := strangerView{Address: strangerAddress(g.Faces[0].ID), Words: t.rangWords(g)}
	for _, v := range g.Visits {
		when := t.day(v.ReceivedAt) + ", " + v.ReceivedAt.In(t.zone).Format("15:04")
		view.Visits = append(view.Visits, strangerRow{ID: v.ID, Address: visitAddress(v.ID), When: when, Bell: v.Bell})
	}
	return view
}

func strangerAddress(face string) string {
	return "/people/strangers/" + url.PathEscape(face) + "/person"
}

// rangWords says how often a face rang, and since when.
func (t presenter) rangWords(g strangerGroup) string {
	return "This face rang " + times(len(g.Visits)) + " " + t.since(g.first())
}

// since says from when on: today and this week, which begins on Monday, are
// those of the household's calendar.
func (t presenter) since(at time.Time) string {
	now := t.now.In(t.zone)
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, t.zone)
	switch monday := today.AddDate(0, 0, -(int(now.Weekday())+6)%7); {
	case !at.Before(today):
		return "today"
	case !at.Before(monday):
		return "this week"
	}
	return "since " + t.day(at)
}

// times says how often.
func times(n int) string {
	words := []string{"never", "once", "twice", "three times", "four times", "five times", "six times",
		"seven times", "eight times", "nine times", "ten times", "eleven times", "twelve times"}
	if n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n) + " times"
}

// newFaceCrop is the part of a still around a face, twice as wide as the face.
func newFaceCrop(still house.Still, f house.Face) faceCrop {
	middle, side := f.Box.Min.Add(f.Box.Max).Div(2), 2*max(f.Box.Dx(), f.Box.Dy())
	return faceCrop{stillAddress(still), still.Width, still.Height, middle.X - side/2, middle.Y - side/2, side}
}

// cropOf returns the part of a still around a face; none if the still went
// meanwhile.
func (s *Server) cropOf(ctx context.Context, f house.Sighting) (faceCrop, error) {
	v, err := s.Archive.Visit(ctx, f.Visit)
	if errors.Is(err, house.ErrNotFound) {
		return faceCrop{}, nil
	}
	for _, still := range v.Stills {
		if still.Frame == f.Frame && still.File != "" && still.File == f.File {
			return newFaceCrop(still, f.Face), nil
		}
	}
	return faceCrop{}, err
}

// A strangerPageView is what the page of one stranger shows: the visits, and a
// form to say who it is.
type strangerPageView struct {
	Bar     barView
	Message string // why nobody was added
	strangerView
	Form    introduction
	Persons []house.Person // who is enrolled already
	Day     string         // of the consent, as typed
	Last    string         // the last day that it may be of
}

// An introduction says who a stranger is: somebody new, who agreed to be known,
// or somebody enrolled already.
type introduction struct {
	Person     string        `json:"person"` // id of who is enrolled already; then name and consent are not looked at
	Name       string        `json:"name"`
	Consent    house.Consent `json:"consent"`
	Visits     []string      `json:"visits"`      // that are theirs for sure; none for all of the group
	NameVisits bool          `json:"name_visits"` // whether these visits name them from now on
}

// defaultScope is what a consent is to, if nothing else is typed.
const defaultScope = "Recognising my face at the door from references kept on this server, until I withdraw this."

func (s *Server) strangerPage(w http.ResponseWriter, r *http.Request) {
	g, err := s.strangerOf(r.Context(), r.PathValue("stranger"))
	if err != nil {
		s.refuseIntroduction(w, r, err)
		return
	}
	view := strangerPageView{Form: introduction{Consent: house.Consent{Scope: defaultScope}}}
	for _, v := range g.Visits {
		// Of what may be a picture nobody makes a reference unasked.
		if newWarningView(v.Faces[0].Face.Liveness) == nil {
			view.Form.Visits = append(view.Form.Visits, v.ID)
		}
	}
	s.showStranger(w, r, http.StatusOK, g, view)
}

func (s *Server) showStranger(w http.ResponseWriter, r *http.Request, status int, g strangerGroup, view strangerPageView) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view.Bar, view.strangerView = barOf(r, "People", "A stranger"), presenter.strangerView(g)
	view.Last = presenter.now.In(presenter.zone).Format(time.DateOnly)
	if view.Persons, err = s.Archive.Persons(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	view.Persons = slices.DeleteFunc(view.Persons, func(p house.Person) bool { return p.Consent == nil })
	for i, v := range g.Visits {
		row := &view.Visits[i]
		row.Chosen = slices.Contains(view.Form.Visits, v.ID)
		row.Warning = newWarningView(v.Faces[0].Face.Liveness)
		if row.Face, err = s.cropOf(r.Context(), v.Faces[0]); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	writePage(w, status, "stranger.html", view)
}

// introduceOnPage makes a person of a stranger, or says why not and shows the
// form as it was typed.
func (s *Server) introduceOnPage(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.PostForm
	view := strangerPageView{Day: q.Get("given_at"), Form: introduction{
		Name: q.Get("name"), Consent: house.Consent{GivenBy: q.Get("given_by"), Scope: q.Get("scope")},
		Visits: q["visit"], NameVisits: q.Get("name_visits") == "true",
	}}
	if q.Get("known") == "true" { // by the button that stands there
		view.Form.Person = cmp.Or(q.Get("person"), "nobody")
	}
	g, err := s.strangerOf(r.Context(), r.PathValue("stranger"))
	if err != nil {
		s.refuseIntroduction(w, r, err)
		return
	}
	if view.Form.Person == "" && view.Day != "" { // else the archive refuses
		if view.Form.Consent.GivenAt, err = presenter.dayFrom(view.Day); err != nil {
			err = fmt.Errorf("%w: the day is %w", house.ErrNoConsent, err)
		}
	}
	if err == nil && len(view.Form.Visits) == 0 {
		err = errNoVisit
	}
	var done introduced
	if err == nil {
		done, err = s.introduce(context.WithoutCancel(r.Context()), g, view.Form)
	}
	if p, ok := badIntroduction(err); ok {
		view.Message = p.Title + " " + p.Detail
		s.showStranger(w, r, p.Status, g, view)
		return
	}
	if err != nil {
		s.refuseIntroduction(w, r, err)
		return
	}
	to := url.Values{"references": {strconv.Itoa(done.References)}}
	if view.Form.NameVisits {
		to.Set("named", strconv.Itoa(done.Named))
		to.Set("of", strconv.Itoa(done.Of))
	}
	http.Redirect(w, r, personAddress(done.Person.ID)+"?"+to.Encode(), http.StatusSeeOther)
}

// introducedWords say what came of an introduction, from the address that it
// led to.
func introducedWords(q url.Values) string {
	references, err := strconv.Atoi(q.Get("references"))
	if err != nil || references < 0 {
		return ""
	}
	words := counted(references, "reference") + " enrolled."
	named, err := strconv.Atoi(q.Get("named"))
	of, err2 := strconv.Atoi(q.Get("of"))
	if err != nil || err2 != nil || named < 0 || of < named {
		return words
	}
	words += " " + counted(named, "visit") + " named."
	if of > named {
		words += " " + counted(of-named, "visit") + " left with a stranger: not alike enough to the references, or answered for already."
	}
	return words
}

// postIntroduction is the API's way to make a person of a stranger.
func (s *Server) postIntroduction(w http.ResponseWriter, r *http.Request) {
	var form introduction
	if !readJSON(w, r, &form) {
		return
	}
	g, err := s.strangerOf(r.Context(), r.PathValue("stranger"))
	var done introduced
	if err == nil {
		done, err = s.introduce(context.WithoutCancel(r.Context()), g, form)
	}
	if err != nil {
		s.refuseIntroduction(w, r, err)
		return
	}
	writeJSON(w, http.StatusCreated, done)
}

// An introduced is what came of an introduction.
type introduced struct {
	Person     personJSON `json:"person"`
	References int        `json:"references"` // enrolled
	Named      int        `json:"named"`      // visits that name the person now
	Of         int        `json:"of"`         // visits that were to
}

var (
	errNoVisit      = errors.New("no visit is ticked")
	errNoPerson     = errors.New("there is no such person")
	errGroupChanged = errors.New("the visits of this stranger have changed")
)

// introduce makes a person of a stranger: with the consent, and with references
// from the visits that are theirs for sure. Visits name the person only if that
// is asked for, and then as any finding does: where the face is near enough to
// the references, with the distance and the band that this has.
func (s *Server) introduce(ctx context.Context, g strangerGroup, form introduction) (done introduced, err error) {
	visits, err := g.visits(form.Visits)
	if err != nil {
		return done, err
	}
	if visits, err = s.described(ctx, visits); err != nil {
		return done, err
	}
	references, err := referencesFrom(visits)
	if err != nil {
		return done, err
	}
	var p house.Person
	if form.Person != "" {
		p, done.References, err = s.enrol(ctx, form.Person, references)
	} else {
		p, err = s.Archive.Introduce(ctx, form.Name, form.Consent, references)
		done.References = p.References
	}
	if err != nil {
		return done, err
	}
	if form.NameVisits {
		done.Of = len(visits)
		if done.Named, err = s.nameVisits(ctx, visits, p.ID); err != nil {
			return done, err
		}
	}
	if p, err = s.Archive.Person(ctx, p.ID); err == nil {
		done.Person, err = s.weighed(ctx, p)
	}
	return done, err
}

// enrol adds references to somebody who is enrolled already, and returns how many
// were new. The errors are errNoPerson and ErrNoConsent.
func (s *Server) enrol(ctx context.Context, person string, references []house.Reference) (p house.Person, added int, err error) {
	p, err = s.Archive.Person(ctx, person)
	if errors.Is(err, house.ErrNotFound) || errors.Is(err, house.ErrAmbiguous) || err == nil && p.ID != person { // a name will not do
		return p, 0, errNoPerson
	}
	if err != nil {
		return p, 0, err
	}
	for _, r := range references {
		r.Person = p.ID
		err := s.Archive.AddReference(ctx, r)
		if err == nil {
			added++
		} else if !errors.Is(err, house.ErrExists) {
			return p, added, err
		}
	}
	return p, added, nil
}

// visits returns those of the ids, or all for none. The error is errGroupChanged
// if one is not the stranger's, or no longer.
func (g strangerGroup) visits(ids []string) (some []strangerVisit, err error) {
	if len(ids) == 0 {
		return g.Visits, nil
	}
	for _, v := range g.Visits {
		if slices.Contains(ids, v.ID) {
			some = append(some, v)
		}
	}
	unique := slices.Compact(slices.Sorted(slices.Values(ids)))
	if len(some) < len(unique) {
		return nil, errGroupChanged
	}
	return some, nil
}

// described returns visits with the faces as they are now, with descriptors. A
// face that went or that was named meanwhile is left out.
func (s *Server) described(ctx context.Context, visits []strangerVisit) (all []strangerVisit, err error) {
	for _, v := range visits {
		faces := v.Faces
		v.Faces = nil
		for _, f := range faces {
			now, err := s.Archive.Sighting(ctx, f.ID)
			if errors.Is(err, house.ErrNotFound) {
				continue
			}
			if err != nil {
				return nil, err
			}
			if now.Kept() && now.Face.Match == nil {
				v.Faces = append(v.Faces, now)
			}
		}
		if len(v.Faces) > 0 {
			all = append(all, v)
		}
	}
	return all, nil
}

// referencesFrom makes references of the best face of each visit, where that is
// good enough: the best of them, maxReferences at most. The error is
// ErrNoReference if none is, with what is wrong with the best.
func referencesFrom(visits []strangerVisit) (references []house.Reference, err error) {
	var best []house.Sighting
	for _, v := range visits {
		best = append(best, v.Faces[0])
	}
	slices.SortStableFunc(best, better)
	fault := ""
	for _, f := range best {
		if wrong := faultOf(f.Face); wrong != "" {
			fault = cmp.Or(fault, wrong)
			continue
		}
		references = append(references, referenceFrom(f, ""))
		if len(references) == maxReferences {
			break
		}
	}
	if len(references) == 0 {
		return nil, fmt.Errorf("%w: %s", house.ErrNoReference, fault)
	}
	return references, nil
}

// nameVisits has visits name the person where their faces, all frames together,
// are nearest to that person, and returns how many do.
func (s *Server) nameVisits(ctx context.Context, visits []strangerVisit, person string) (named int, err error) {
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return 0, err
	}
	for _, v := range visits {
		var probes []match.Probe
		for _, f := range v.Faces {
			probes = append(probes, match.ProbeOf(f.Face))
		}
		m := gallery.Identify(probes...)
		if m == nil || m.Person != person {
			continue
		}
		var anew []house.Renaming
		for _, f := range v.Faces {
			anew = append(anew, house.Renaming{Face: f.ID, Becomes: m})
		}
		faces, err := s.Archive.Rename(ctx, anew)
		if faces > 0 {
			named++
		}
		if err != nil {
			return named, err
		}
	}
	return named, nil
}

// biometric is the caution that goes with every refusal for want of a consent.
const biometric = "A face is biometric data: the law protects it specially, and nobody is enrolled who has not agreed. Ask them first; nothing was changed."

// badIntroduction says what is wrong with what somebody sent.
func badIntroduction(err error) (p problem, ok bool) {
	p.Status = http.StatusUnprocessableEntity
	switch {
	case errors.Is(err, house.ErrNoConsent):
		reason := "none is in force"
		if _, missing, ok := strings.Cut(err.Error(), house.ErrNoConsent.Error()+": "); ok {
			reason = missing
		}
		p.Type, p.Title, p.Detail = "no-consent", "Nobody is enrolled without a consent: "+reason+".", biometric
	case errors.Is(err, house.ErrBadPersonName):
		p.Type, p.Title, p.Detail = "bad-name", capital(house.ErrBadPersonName.Error())+".", "Nothing was changed."
	case errors.Is(err, house.ErrNoReference):
		_, fault, _ := strings.Cut(err.Error(), house.ErrNoReference.Error()+": ")
		p.Type, p.Title = "no-reference", "None of these faces is good enough for a reference."
		p.Detail = strings.TrimSpace(fault + " Nothing was changed. They can be enrolled from a photograph, on the server.")
	case errors.Is(err, errNoPerson):
		p.Type, p.Title, p.Detail = "no-person", "Choose who it is; a person who is not in the list may have been erased.", "Nothing was changed."
	case errors.Is(err, errNoVisit):
		p.Type, p.Title, p.Detail = "no-visit", "Tick at least one visit that is theirs for sure.", "Nothing was changed."
	case errors.Is(err, errGroupChanged):
		p.Status, p.Type = http.StatusConflict, "changed"
		p.Title, p.Detail = "The visits of this stranger have changed since you saw them.", "Nothing was changed. Look again."
	default:
		return p, false
	}
	return p, true
}

func (s *Server) refuseIntroduction(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, house.ErrNotFound) {
		writeProblem(w, r, problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is no such stranger; the stills may have gone, or somebody may have said who it is."})
		return
	}
	if p, ok := badIntroduction(err); ok {
		writeProblem(w, r, p)
		return
	}
	s.fail(w, r, err)
}

// A strangerJSON is a group as the API has it.
type strangerJSON struct {
	ID     string             `json:"id"` // one of its faces'; any will do
	First  time.Time          `json:"first"`
	Last   time.Time          `json:"last"`
	Visits []strangerSeenJSON `json:"visits"`
}

type strangerSeenJSON struct {
	Visit      string              `json:"visit"`
	Bell       string              `json:"bell"`
	ReceivedAt time.Time           `json:"received_at"`
	Faces      []strangersFaceJSON `json:"faces"`
}

// A strangersFaceJSON's numbers are pixels of the still.
type strangersFaceJSON struct {
	ID     string `json:"id"`
	Frame  int    `json:"frame"`
	X      int    `json:"x"`
	Y      int    `json:"y"`
	Width  int    `json:"width"`
	Height int    `json:"height"`

	Liveness *livenessJSON `json:"liveness,omitempty"`
}

func (s *Server) listStrangers(w http.ResponseWriter, r *http.Request) {
	all, distance, err := s.strangers(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answer := struct {
		FMR       float64        `json:"fmr"`
		Distance  float64        `json:"distance"`
		Strangers []strangerJSON `json:"strangers"`
	}{cluster.FMR, distance, []strangerJSON{}}
	for _, g := range all {
		if len(g.Visits) > 1 {
			answer.Strangers = append(answer.Strangers, g.json())
		}
	}
	writeJSON(w, http.StatusOK, answer)
}

func (g strangerGroup) json() strangerJSON {
	j := strangerJSON{ID: g.Faces[0].ID, First: g.first(), Last: g.Visits[0].ReceivedAt}
	for _, v := range g.Visits {
		seen := strangerSeenJSON{Visit: v.ID, Bell: v.Bell, ReceivedAt: v.ReceivedAt}
		for _, f := range v.Faces {
			b := f.Face.Box
			seen.Faces = append(seen.Faces, strangersFaceJSON{f.ID, f.Frame, b.Min.X, b.Min.Y, b.Dx(), b.Dy(), newLivenessJSON(f.Face.Liveness)})
		}
		j.Visits = append(j.Visits, seen)
	}
	return j
}
