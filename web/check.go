package web

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"image/jpeg"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// A checkView is what the screen Check matches shows: one doubtful visit.
type checkView struct {
	Bar     barView
	Message string // what came of the last answer, or why there was none
	Item    *itemView
	Next    string // address of the doubtful visit after this one, "" after the last
	First   string // address of the first one, "" where this is it

	Household householdView
}

// An itemView is a face beside earlier ones of the person it may be.
type itemView struct {
	Address  string // of answers
	Face     string
	Person   string
	Name     string
	Named    bool // else a stranger, near to the person
	Band     string
	Odds     string
	Distance string
	Crop     string
	Seen     string // where and when
	Visit    string // address
	Width    int
	Warning  *warningView // where there is something to warn of
	Earlier  []earlierView
	Offer    bool // whether the face is good enough for a reference
	Consent  bool // of the person asked about
	After    string
	Answered string // in words, "" if nobody answered
}

type earlierView struct {
	Crop  string
	Seen  string
	Visit string
	By    string // why it is taken for the person's

	Warning *warningView // where there is something to warn of
}

func checkAddress(face string) string { return "/checks/" + url.PathEscape(face) }

func cropAddress(x house.Sighting) string {
	return "/api/v1/checks/" + url.PathEscape(x.ID) + "/crop?of=" + x.File[:8]
}

// queueAddress is where the doubtful visit after a place is shown.
func queueAddress(after string) string {
	if after == "" {
		return "/checks"
	}
	return "/checks?" + url.Values{"after": {after}}.Encode()
}

func (t presenter) seen(x house.Sighting) string {
	return x.Bell + ", " + t.day(x.ReceivedAt) + ", " + x.ReceivedAt.In(t.zone).Format("15:04")
}

func (s *Server) checksPage(w http.ResponseWriter, r *http.Request) {
	after, err := parseQueueCursor(r.URL.Query().Get("after"))
	if err != nil {
		badQuery(w, r, capital(err.Error())+".")
		return
	}
	page, next, err := s.reviewQueue(r.Context(), after, 1)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view := checkView{Message: keptWords(r.URL.Query())}
	if after != (queueCursor{}) {
		view.First = queueAddress("")
	}
	if view.Household, err = s.household(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	if len(page) == 0 {
		view.Bar = barOf(r, "Check matches", "Check matches")
		writePage(w, http.StatusOK, "checks.html", view)
		return
	}
	if next != (queueCursor{}) {
		view.Next = queueAddress(next.String())
	}
	s.showDoubt(w, r, http.StatusOK, view, page[0], after.String())
}

// checkPage shows one face, whether or not it is among the doubtful.
func (s *Server) checkPage(w http.ResponseWriter, r *http.Request) {
	d, err := s.doubtAbout(r.Context(), r.PathValue("face"))
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	household, err := s.household(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.showDoubt(w, r, http.StatusOK, checkView{First: queueAddress(""), Household: household}, d, "")
}

func (s *Server) showDoubt(w http.ResponseWriter, r *http.Request, status int, view checkView, d doubt, after string) {
	item, err := s.itemView(r, d, after)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view.Bar, view.Item = barOf(r, "Check matches", "Check matches"), &item
	writePage(w, status, "checks.html", view)
}

func (s *Server) itemView(r *http.Request, d doubt, after string) (itemView, error) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return itemView{}, err
	}
	earlier, err := s.earlier(r.Context(), d)
	if err != nil {
		return itemView{}, err
	}
	item := itemView{
		Address: checkAddress(d.ID), Face: d.ID, Person: d.Person, Name: d.Name, Named: d.Band != "", Band: d.Band, Odds: odds(d.FPIR),
		Distance: fmt.Sprintf("%.2f", d.Distance), Crop: cropAddress(d.Sighting), Seen: presenter.seen(d.Sighting), Visit: visitAddress(d.Visit),
		Width: d.Face.Width(), Warning: newWarningView(d.Face.Liveness), Offer: faultOf(d.Face) == "", After: after,
	}
	for _, x := range earlier {
		by := "a strong match"
		if x.Check != nil {
			by = "you said so"
		}
		item.Earlier = append(item.Earlier, earlierView{cropAddress(x), presenter.seen(x), visitAddress(x.Visit), by, newWarningView(x.Face.Liveness)})
	}
	if item.Consent, err = s.consents(r.Context(), d.Person); err != nil {
		return itemView{}, err
	}
	if d.Check != nil {
		names, err := s.personNames(r.Context())
		if err != nil {
			return itemView{}, err
		}
		item.Answered = answerWords(*d.Check, names)
	}
	return item, nil
}

// consents reports whether a person's consent is in force.
func (s *Server) consents(ctx context.Context, person string) (bool, error) {
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(persons, func(p house.Person) bool { return p.ID == person && p.Consent != nil }), nil
}

// answerWords say what was answered.
func answerWords(c house.Check, names map[string]string) string {
	switch c.Answer {
	case house.AnswerYes:
		return "You said: it is " + names[c.Asked]
	case house.AnswerNo:
		return "You said: it is not " + names[c.Asked]
	case house.AnswerNotFace:
		return "You said: it is not a face"
	}
	if c.Person == "" {
		return "You said: it is a stranger"
	}
	return "You said: it is " + names[c.Person]
}

// addAnswers adds to the faces of a visit's page what was answered for them, and
// where that can be done.
func (s *Server) addAnswers(ctx context.Context, v house.Visit, shown []stillView) error {
	answers, err := s.Archive.AnsweredOn(ctx, v.ID)
	if err != nil {
		return err
	}
	var names map[string]string
	if len(answers) > 0 {
		if names, err = s.personNames(ctx); err != nil {
			return err
		}
	}
	for i, still := range v.Stills {
		for j, f := range still.Faces {
			face := &shown[i].Faces[j]
			if c, ok := answers[f.ID]; ok {
				face.Said = answerWords(c, names)
			}
			if still.File != "" && f.Match != nil && f.Descriptor != (house.Descriptor{}) {
				face.Check = checkAddress(f.ID)
			}
		}
	}
	return nil
}

// crop answers with a face, cut out of its still and aligned.
func (s *Server) crop(w http.ResponseWriter, r *http.Request) {
	x, err := s.Archive.Sighting(r.Context(), r.PathValue("face"))
	if err == nil && x.File == "" {
		err = house.ErrStillGone
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	data, err := s.Archive.ReadStill(r.Context(), x.Visit, x.Frame)
	if errors.Is(err, house.ErrNotFound) {
		err = house.ErrStillGone
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	still, err := jpeg.Decode(bytes.NewReader(data))
	var out bytes.Buffer
	if err == nil {
		err = jpeg.Encode(&out, align(still, x.Face), &jpeg.Options{Quality: 88})
	}
	if err != nil {
		s.fail(w, r, fmt.Errorf("cutting a face out of a still: %w", err))
		return
	}
	s.noteLook(r, x.Visit)
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(out.Len()))
	w.Write(out.Bytes())
}

// A given is an answer as it is sent.
type given struct {
	Answer    house.Answer `json:"answer"`
	Asked     string       `json:"asked"`     // the person asked about; "" for whom the face is named, or is nearest
	Person    string       `json:"person"`    // for someone else: who, "" for a stranger
	Reference bool         `json:"reference"` // whether to keep the face as a reference of who it is
}

// What became of a reference that an answer asked for.
const (
	referenceAdded     = "added"
	referenceThere     = "already-there"
	referenceNoConsent = "no-consent"
	referencePoor      = "poor"
	referenceNobody    = "nobody" // it is nobody's who could be enrolled
)

// answer keeps an answer, and a reference if it asks for one.
func (s *Server) answer(ctx context.Context, face string, g given) (reference string, err error) {
	d, err := s.doubtAbout(ctx, face)
	if err != nil {
		return "", err
	}
	if d.Check != nil {
		return "", house.ErrAnswered
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return "", err
	}
	scores := gallery.Scores(match.ProbeOf(d.Face))
	c := house.Check{Face: face, Answer: g.Answer, Asked: cmp.Or(g.Asked, d.Person), Person: g.Person}
	if c.Answer == house.AnswerYes && c.Person == "" {
		c.Person = c.Asked
	}
	to := func(person string) float64 {
		if person == d.Person {
			return d.Distance
		}
		return distanceTo(person, scores)
	}
	if c.AskedDistance = to(c.Asked); c.Person != "" {
		c.PersonDistance = to(c.Person)
	}
	if math.IsInf(c.AskedDistance, 1) { // their references went since
		return "", house.ErrFindingChanged
	}
	if math.IsInf(c.PersonDistance, 1) {
		c.PersonDistance = 0 // not enrolled, so at no distance
	}
	var becomes *house.Match
	switch {
	case c.Answer == house.AnswerYes && d.Face.Match != nil:
		becomes = d.Face.Match
	case c.Person != "" && c.PersonDistance > 0:
		becomes = namedAs(c.Person, c.PersonDistance, d.Face, gallery)
	case c.Answer == house.AnswerElse:
		for _, score := range scores {
			c.Distances = append(c.Distances, score.Distance)
		}
	}
	ctx = context.WithoutCancel(ctx)
	if err := s.Archive.Answer(ctx, c, becomes); err != nil || !g.Reference {
		return "", err
	}
	return s.keepReference(ctx, d.Sighting, c.Person)
}

// keepReference enrols a face that was answered for, and says what came of it.
func (s *Server) keepReference(ctx context.Context, x house.Sighting, person string) (string, error) {
	switch {
	case person == "":
		return referenceNobody, nil
	case faultOf(x.Face) != "":
		return referencePoor, nil
	}
	err := s.Archive.AddReference(ctx, referenceFrom(x, person))
	switch {
	case errors.Is(err, house.ErrNoConsent):
		return referenceNoConsent, nil
	case errors.Is(err, house.ErrExists):
		return referenceThere, nil
	case err != nil:
		return "", err
	}
	return referenceAdded, nil
}

// giveAnswer takes an answer from the page.
func (s *Server) giveAnswer(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	g := given{Answer: house.Answer(r.PostForm.Get("answer")), Asked: r.PostForm.Get("asked"), Person: r.PostForm.Get("person"), Reference: r.PostForm.Get("reference") == "true"}
	if g.Answer == house.AnswerElse && !r.PostForm.Has("person") {
		s.refuseCheck(w, r, fmt.Errorf("%w: it does not say who it is", house.ErrBadAnswer))
		return
	}
	reference, err := s.answer(r.Context(), r.PathValue("face"), g)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	q := url.Values{"done": {string(g.Answer)}}
	if reference != "" {
		q.Set("reference", reference)
	}
	if after := r.PostForm.Get("after"); after != "" {
		q.Set("after", after)
	}
	http.Redirect(w, r, "/checks?"+q.Encode(), http.StatusSeeOther)
}

// keptWords say what came of an answer, from the address that it led to.
func keptWords(q url.Values) string {
	words := map[string]string{
		"yes": "Kept: it is.", "no": "Kept: it is not.", "else": "Kept: it is someone else.", "not-a-face": "Kept: it is not a face.", "taken-back": "The answer is taken back.",
	}[q.Get("done")]
	switch q.Get("reference") {
	case referenceAdded:
		words += " The face is a reference from now on; look at what that changes for past visits, and on the person’s page at what it adds."
	case referenceThere:
		words += " The face was a reference before."
	case referenceNoConsent:
		words += " It did not become a reference: there is no consent in force."
	case referencePoor:
		words += " It did not become a reference: the picture is too poor."
	case referenceNobody:
		words += " It did not become a reference, since it is nobody's who is enrolled."
	}
	return words
}

// An answerView asks whether an answer is meant, or who else it is.
type answerView struct {
	Bar     barView
	Item    itemView
	Answer  house.Answer
	Says    []string
	Persons []house.Person // to choose among, for someone else
	Button  string
	Back    string
}

// answerPage says what an answer changes, before it is given.
func (s *Server) answerPage(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	d, err := s.doubtAbout(r.Context(), r.PathValue("face"))
	if err == nil && d.Check != nil {
		err = house.ErrAnswered
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	view := answerView{Answer: house.Answer(q.Get("answer")), Back: queueAddress(q.Get("after"))}
	if view.Item, err = s.itemView(r, d, q.Get("after")); err == nil {
		view.Says, err = s.losesName(r, d)
	}
	if err == nil && view.Answer == house.AnswerElse {
		view.Persons, err = s.Archive.Persons(r.Context())
		view.Persons = slices.DeleteFunc(view.Persons, func(p house.Person) bool { return p.ID == d.Person })
	}
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	title := ""
	switch view.Answer {
	case house.AnswerNo:
		title, view.Button = "Not "+d.Name+"?", "It is not "+d.Name
	case house.AnswerNotFace:
		title, view.Button = "Not a face?", "It is not a face"
	case house.AnswerElse:
		title, view.Button = "Who is it?", "Keep this answer"
	default:
		badQuery(w, r, "answer is no, else or not-a-face.")
		return
	}
	view.Bar = barOf(r, "Check matches", title)
	writePage(w, http.StatusOK, "check-answer.html", view)
}

// losesName says what a visit is without the name that a face was given.
func (s *Server) losesName(r *http.Request, d doubt) ([]string, error) {
	if d.Band == "" {
		return []string{"Nobody is named on this face, so nothing is taken away from the visit."}, nil
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	v, err := s.Archive.Visit(r.Context(), d.Visit)
	if err != nil {
		return nil, err
	}
	says := []string{"The name " + d.Name + " would be removed from this face, on the visit at " + presenter.seen(d.Sighting) + "."}
	for i := range v.Stills {
		for j := range v.Stills[i].Faces {
			if f := &v.Stills[i].Faces[j]; f.ID == d.ID {
				f.Match = nil
			}
		}
	}
	if persons, _ := whoRang(v); len(persons) == 0 && v.Kind == house.Known {
		v.Kind = house.Stranger
		words := presenter.scheduleWords(v)
		says = append(says, "Without it the visit is a stranger’s, and is kept as theirs are. "+words[len(words)-1]+".")
	}
	return says, nil
}

func (s *Server) takeBack(w http.ResponseWriter, r *http.Request) {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	http.Redirect(w, r, "/checks?done=taken-back", http.StatusSeeOther)
}

// An answersView lists what was answered lately.
type answersView struct {
	Bar     barView
	Answers []answeredView
}

type answeredView struct {
	Address, Visit, Seen, Words, When, By string
}

// shownAnswers is how many answers are listed.
const shownAnswers = 50

func (s *Server) answersPage(w http.ResponseWriter, r *http.Request) {
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := s.Archive.Answered(r.Context(), shownAnswers)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	names, err := s.personNames(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view := answersView{Bar: barOf(r, "Check matches", "Answers")}
	for i, x := range all {
		if i > 0 && x.Visit == all[i-1].Visit && x.Check.At.Equal(all[i-1].Check.At) {
			continue // one answer for the frames of a ring
		}
		view.Answers = append(view.Answers, answeredView{
			Address: checkAddress(x.ID), Visit: visitAddress(x.Visit), Seen: presenter.seen(x), Words: answerWords(*x.Check, names), When: presenter.moment(x.Check.At),
		})
	}
	writePage(w, http.StatusOK, "check-answers.html", view)
}

// A changesView lists past findings that would be others now.
type changesView struct {
	Bar     barView
	Done    string
	Changes []changeView
	More    bool
	Days    int
}

type changeView struct {
	Value    string // face and finding, as the form sends them
	Seen     string
	Visit    string
	Crop     string
	Warning  *warningView // where there is something to warn of
	Old, New findingView
}

// A findingView is a finding in words; no name is a stranger.
type findingView struct{ Name, Band string }

func findingViewOf(m *house.Match) findingView {
	if m == nil {
		return findingView{"A stranger", ""}
	}
	return findingView{m.Name, m.Band}
}

// shownChanges is how many past findings are listed at once.
const shownChanges = 30

func (s *Server) changesPage(w http.ResponseWriter, r *http.Request) {
	all, err := s.revisions(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view := changesView{Bar: barOf(r, "Check matches", "Past visits"), Days: lookBackDays, More: len(all) > shownChanges}
	if n, err := strconv.Atoi(r.URL.Query().Get("renamed")); err == nil && n >= 0 {
		view.Done = counted(n, "face") + " judged anew."
		if left, err := strconv.Atoi(r.URL.Query().Get("left")); err == nil && left > 0 {
			view.Done += " " + capital(counted(left, "face")) + " changed meanwhile and were left as they are."
		}
	}
	for _, c := range all[:min(len(all), shownChanges)] {
		view.Changes = append(view.Changes, changeView{
			Value: c.ID + " " + finding(c.Becomes), Seen: presenter.seen(c.Sighting), Visit: visitAddress(c.Visit), Crop: cropAddress(c.Sighting), Warning: newWarningView(c.Face.Liveness),
			Old: findingViewOf(c.Face.Match), New: findingViewOf(c.Becomes),
		})
	}
	writePage(w, http.StatusOK, "check-changes.html", view)
}

// A wantedChange is a change that somebody ticked: the face, and what it is to
// become, so that nothing else is applied than what they saw.
type wantedChange struct {
	Face   string `json:"face"`
	Person string `json:"person"` // "" for a stranger
	Band   string `json:"band"`
}

// applyChanges names those faces anew whose change is still what it was when it
// was ticked.
func (s *Server) applyChanges(ctx context.Context, wanted []wantedChange) (renamed int, err error) {
	all, err := s.revisions(ctx)
	if err != nil {
		return 0, err
	}
	becomes := make(map[string]string, len(wanted))
	for _, c := range wanted {
		becomes[c.Face] = strings.TrimSpace(c.Person + " " + c.Band)
	}
	var chosen []house.Renaming
	for _, c := range all {
		if want, ok := becomes[c.ID]; ok && want == finding(c.Becomes) {
			chosen = append(chosen, house.Renaming{Face: c.ID, Was: c.Face.Match, Becomes: c.Becomes})
		}
	}
	return s.Archive.Rename(context.WithoutCancel(ctx), chosen)
}

func (s *Server) postChanges(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	var wanted []wantedChange
	for _, value := range r.PostForm["change"] {
		parts := append(strings.Fields(value), "", "", "")
		wanted = append(wanted, wantedChange{parts[0], parts[1], parts[2]})
	}
	renamed, err := s.applyChanges(r.Context(), wanted)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	http.Redirect(w, r, fmt.Sprintf("/checks/changes?renamed=%d&left=%d", renamed, len(wanted)-renamed), http.StatusSeeOther)
}

// refuseCheck answers why something about a face was not done.
func (s *Server) refuseCheck(w http.ResponseWriter, r *http.Request, err error) {
	p := problem{Status: http.StatusConflict, Detail: "Nothing was changed."}
	switch {
	case errors.Is(err, house.ErrNotFound):
		p = problem{Status: http.StatusNotFound, Type: "not-found", Title: "There is no such face, or no answer for it; the visit may have been erased."}
	case errors.Is(err, house.ErrStillGone):
		p = problem{Status: http.StatusGone, Type: "still-gone", Title: capital(house.ErrStillGone.Error()) + ".", Detail: "The rules let it go, or it was erased."}
	case errors.Is(err, house.ErrAnswered):
		p.Type, p.Title = "answered", capital(house.ErrAnswered.Error())+"."
		p.Detail = "The first answer stands. It can be taken back, and another given."
	case errors.Is(err, house.ErrFindingChanged):
		p.Type, p.Title = "finding-changed", capital(house.ErrFindingChanged.Error())+"."
		p.Detail = "Nothing was changed. Look at it again."
	case errors.Is(err, house.ErrPersonGone):
		p.Type, p.Title = "person-gone", capital(house.ErrPersonGone.Error())+"."
	case errors.Is(err, errNobody):
		p.Type, p.Title = "nobody-enrolled", capital(errNobody.Error())+"."
	case errors.Is(err, house.ErrBadAnswer):
		p = problem{Status: http.StatusUnprocessableEntity, Type: "bad-answer", Title: capital(strings.TrimPrefix(err.Error(), "keeping an answer: ")) + "."}
	default:
		s.fail(w, r, err)
		return
	}
	writeProblem(w, r, p)
}

// A thresholdView is what another threshold would have meant.
type thresholdView struct {
	Bar       barView
	Days      int
	Threshold string
	Present   string
	Odds      string
	Searches  int
	Answered  int
	Cut       bool
	Named     []nameCount
	Missed    []searchView
	Misnamed  []searchView
	Called    []searchView
	Counts    []countView
	FNIR      string
	FPIR      string
	DET       *plot
	Histogram plot
	Bins      []bin
	Rates     []rateView
}

type nameCount struct {
	Name  string
	Count int
}

type countView struct {
	Words string
	Count int
}

type searchView struct {
	Visit, Seen, Words string
}

type rateView struct{ Threshold, FPIR, FNIR string }

// Limits of the slider: below, nobody is named, and above, everybody.
const (
	leastThreshold = 0.2
	mostThreshold  = 0.9
)

// readThreshold reads a distance from the query.
func readThreshold(text string, or float64) (float64, error) {
	if text == "" {
		return or, nil
	}
	t, err := strconv.ParseFloat(text, 64)
	if err != nil || !(t >= leastThreshold && t <= mostThreshold) {
		return 0, fmt.Errorf("a threshold is a distance from %.1f to %.1f", leastThreshold, mostThreshold)
	}
	return t, nil
}

// A thresholdQuestion is what the page and the API of another threshold are
// asked, and what there is to judge by it.
type thresholdQuestion struct {
	all                []search
	cut                bool // whether there are more
	gallery            *match.Gallery
	present, threshold float64
}

// thresholdAsked reads a question, and answers one that can't be answered.
func (s *Server) thresholdAsked(w http.ResponseWriter, r *http.Request) (q thresholdQuestion, ok bool) {
	var err error
	if q.all, q.gallery, q.cut, err = s.lookBack(r.Context()); err != nil {
		s.fail(w, r, err)
		return q, false
	}
	q.present = presentThreshold(q.gallery)
	if q.threshold, err = readThreshold(r.URL.Query().Get("distance"), q.present); err != nil {
		badQuery(w, r, capital(err.Error())+".")
		return q, false
	}
	return q, true
}

func (s *Server) thresholdPage(w http.ResponseWriter, r *http.Request) {
	q, ok := s.thresholdAsked(w, r)
	if !ok {
		return
	}
	names, err := s.personNames(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	presenter, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	view := presenter.thresholdView(judge(q.all, q.threshold), len(q.all), names)
	view.Bar, view.Cut, view.Present = barOf(r, "Check matches", "Another threshold"), q.cut, fmt.Sprintf("%.3f", q.present)
	if view.Odds = odds(q.gallery.FPIR(q.threshold)); q.gallery.FPIR(q.threshold) > .5 {
		view.Odds = "Most strangers would look this much like somebody here."
	}
	writePage(w, http.StatusOK, "check-threshold.html", view)
}

// rateWords say an error rate with what it was counted from.
func rateWords(r match.Rate) string {
	switch {
	case r.N == 0:
		return "nothing to count"
	case r.Errors == 0:
		return fmt.Sprintf("none of %d, so %s", r.N, r)
	}
	return fmt.Sprintf("%d of %d, %s, 95 %% interval %s", r.Errors, r.N, r, r.IntervalString())
}

func (t presenter) thresholdView(w thresholdTrial, searches int, names map[string]string) thresholdView {
	view := thresholdView{
		Days: lookBackDays, Threshold: fmt.Sprintf("%.3f", w.Threshold), Searches: searches, Answered: w.Answered,
		FNIR: rateWords(w.FNIR), FPIR: rateWords(w.FPIR),
		Histogram: histogramPlot(w.Bins, w.Threshold),
		Counts: []countView{
			{"Named rightly", len(w.Named)}, {"Missed", len(w.Missed)}, {"By another’s name", len(w.Misnamed)},
			{"Strangers by a name", len(w.Called)}, {"Strangers left so", w.Left},
		},
	}
	count := make(map[string]int)
	for _, s := range w.Named {
		count[s.truth]++
	}
	for id, n := range count {
		view.Named = append(view.Named, nameCount{names[id], n})
	}
	slices.SortFunc(view.Named, func(a, b nameCount) int { return cmp.Or(b.Count-a.Count, strings.Compare(a.Name, b.Name)) })
	list := func(of []search, words func(search) string) (lines []searchView) {
		for _, s := range of[:min(len(of), shownChanges)] {
			judged := ""
			if !s.answered {
				judged = ", as judged"
			}
			lines = append(lines, searchView{visitAddress(s.Visit), t.seen(s.Sighting), words(s) + judged})
		}
		return lines
	}
	view.Missed = list(w.Missed, func(s search) string { return fmt.Sprintf("%s, at distance %.2f", names[s.truth], s.own) })
	view.Misnamed = list(w.Misnamed, func(s search) string { return fmt.Sprintf("%s, called %s", names[s.truth], names[s.near.person]) })
	view.Called = list(w.Called, func(s search) string {
		return fmt.Sprintf("a stranger, called %s, at distance %.2f", names[s.near.person], s.near.distance)
	})
	for _, b := range w.Bins {
		if b.Genuine+b.Impostor > 0 {
			view.Bins = append(view.Bins, b)
		}
	}
	if len(w.Curve) > 0 {
		det := detPlot(w.Curve, errorRates{w.Threshold, w.FPIR.Value(), w.FNIR.Value()})
		view.DET = &det
		step := max(1, len(w.Curve)/20) // as many rows as can be read
		for i := 0; i < len(w.Curve); i += step {
			c := w.Curve[i]
			view.Rates = append(view.Rates, rateView{fmt.Sprintf("%.2f", c.Threshold), fmt.Sprintf("%.1f %%", 100*c.FPIR), fmt.Sprintf("%.1f %%", 100*c.FNIR)})
		}
	}
	return view
}

// A checkJSON is a doubtful face as the API tells of it.
type checkJSON struct {
	Face       string        `json:"face"`
	Visit      string        `json:"visit"`
	Frame      int           `json:"frame"`
	Bell       string        `json:"bell"`
	ReceivedAt time.Time     `json:"received_at"`
	Person     string        `json:"person"` // asked about
	Name       string        `json:"name"`
	Named      bool          `json:"named"` // else the face is a stranger's, near to the person
	Distance   float64       `json:"distance"`
	FPIR       float64       `json:"fpir"`
	Band       string        `json:"band"` // none for a stranger
	Width      int           `json:"width"`
	Liveness   *livenessJSON `json:"liveness,omitempty"`
	Crop       string        `json:"crop"`
	Earlier    []string      `json:"earlier"` // crops of the person on other visits
	Answer     *answeredJSON `json:"answer"`
}

type answeredJSON struct {
	Answer house.Answer `json:"answer"`
	Person string       `json:"person"` // "" for a stranger or nobody
	By     string       `json:"by"`
	At     time.Time    `json:"at"`
}

func (s *Server) checkJSON(ctx context.Context, d doubt) (checkJSON, error) {
	earlier, err := s.earlier(ctx, d)
	j := checkJSON{
		Face: d.ID, Visit: d.Visit, Frame: d.Frame, Bell: d.Bell, ReceivedAt: d.ReceivedAt, Person: d.Person, Name: d.Name, Named: d.Band != "",
		Distance: d.Distance, FPIR: d.FPIR, Band: cmp.Or(d.Band, "none"), Width: d.Face.Width(), Liveness: newLivenessJSON(d.Face.Liveness), Crop: cropAddress(d.Sighting), Earlier: []string{},
	}
	for _, x := range earlier {
		j.Earlier = append(j.Earlier, cropAddress(x))
	}
	if c := d.Check; c != nil {
		j.Answer = &answeredJSON{c.Answer, c.Person, c.By, c.At}
	}
	return j, err
}

func (s *Server) listChecks(w http.ResponseWriter, r *http.Request) {
	limit, ok := number(r, "limit", 20, 100)
	after, err := parseQueueCursor(r.URL.Query().Get("cursor"))
	if !ok || err != nil {
		badQuery(w, r, "limit is 1 to 100, and cursor the next of the page before.")
		return
	}
	page, next, err := s.reviewQueue(r.Context(), after, int(limit))
	answer := struct {
		Checks []checkJSON `json:"checks"`
		Next   string      `json:"next,omitempty"`
	}{[]checkJSON{}, next.String()}
	for _, d := range page {
		var j checkJSON
		if j, err = s.checkJSON(r.Context(), d); err != nil {
			break
		}
		answer.Checks = append(answer.Checks, j)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, answer)
}

func (s *Server) getCheck(w http.ResponseWriter, r *http.Request) {
	s.writeCheck(w, r, "")
}

// writeCheck answers with a face as it is now, and what became of a reference.
func (s *Server) writeCheck(w http.ResponseWriter, r *http.Request, reference string) {
	d, err := s.doubtAbout(r.Context(), r.PathValue("face"))
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	j, err := s.checkJSON(r.Context(), d)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, struct {
		checkJSON
		Reference string `json:"reference,omitempty"`
	}{j, reference})
}

func (s *Server) putCheck(w http.ResponseWriter, r *http.Request) {
	if _, err := s.Archive.Sighting(r.Context(), r.PathValue("face")); err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	var g given
	if !readJSON(w, r, &g) {
		return
	}
	reference, err := s.answer(r.Context(), r.PathValue("face"), g)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	s.writeCheck(w, r, reference)
}

func (s *Server) deleteCheck(w http.ResponseWriter, r *http.Request) {
	if err := s.Archive.TakeBack(context.WithoutCancel(r.Context()), r.PathValue("face")); err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	s.writeCheck(w, r, "")
}

type findingJSON struct {
	Person   string  `json:"person"`
	Name     string  `json:"name"`
	Distance float64 `json:"distance"`
	FPIR     float64 `json:"fpir"`
	Band     string  `json:"band"`
}

func findingJSONOf(m *house.Match) *findingJSON {
	if m == nil {
		return nil
	}
	return &findingJSON{m.Person, m.Name, m.Distance, m.FPIR, m.Band}
}

func (s *Server) listChanges(w http.ResponseWriter, r *http.Request) {
	all, err := s.revisions(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	type changeJSON struct {
		Face       string       `json:"face"`
		Visit      string       `json:"visit"`
		ReceivedAt time.Time    `json:"received_at"`
		Was        *findingJSON `json:"was"`
		Becomes    *findingJSON `json:"becomes"`
	}
	changes := []changeJSON{}
	for _, c := range all {
		changes = append(changes, changeJSON{c.ID, c.Visit, c.ReceivedAt, findingJSONOf(c.Face.Match), findingJSONOf(c.Becomes)})
	}
	writeJSON(w, http.StatusOK, map[string]any{"changes": changes})
}

func (s *Server) sendChanges(w http.ResponseWriter, r *http.Request) {
	var body struct {
		Changes []wantedChange `json:"changes"`
	}
	if !readJSON(w, r, &body) {
		return
	}
	renamed, err := s.applyChanges(r.Context(), body.Changes)
	if err != nil {
		s.refuseCheck(w, r, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]int{"renamed": renamed, "left": len(body.Changes) - renamed})
}

// A rateJSON is a number of errors among trials, with its 95 % interval
// (Clopper-Pearson); zero errors are never a rate of 0.
type rateJSON struct {
	Errors int       `json:"errors"`
	N      int       `json:"n"`
	CI95   []float64 `json:"ci95"`
}

type searchJSON struct {
	Visit    string  `json:"visit"`
	Face     string  `json:"face"`
	Truth    string  `json:"truth"`   // a person, "" for a stranger
	Nearest  string  `json:"nearest"` // person
	Distance float64 `json:"distance"`
	Answered bool    `json:"answered"`
}

func searchesJSON(all []search) []searchJSON {
	list := []searchJSON{}
	for _, s := range all {
		list = append(list, searchJSON{s.Visit, s.ID, s.truth, s.near.person, s.near.distance, s.answered})
	}
	return list
}

func (s *Server) getThreshold(w http.ResponseWriter, r *http.Request) {
	q, ok := s.thresholdAsked(w, r)
	if !ok {
		return
	}
	result := judge(q.all, q.threshold)
	type point struct {
		Threshold float64 `json:"threshold"`
		FPIR      float64 `json:"fpir"`
		FNIR      float64 `json:"fnir"`
	}
	det := []point{}
	for _, c := range result.Curve {
		det = append(det, point(c))
	}
	rate := func(r interface {
		Interval(float64) (float64, float64)
	}, errors, n int) *rateJSON {
		if n == 0 {
			return nil
		}
		low, high := r.Interval(.95)
		return &rateJSON{errors, n, []float64{low, high}}
	}
	writeJSON(w, http.StatusOK, map[string]any{
		"distance": q.threshold, "present": q.present, "days": lookBackDays, "searches": len(q.all), "answered": result.Answered, "cut": q.cut,
		"named": searchesJSON(result.Named), "missed": searchesJSON(result.Missed), "misnamed": searchesJSON(result.Misnamed),
		"called": searchesJSON(result.Called), "left_unnamed": result.Left,
		"fnir": rate(result.FNIR, result.FNIR.Errors, result.FNIR.N), "fpir": rate(result.FPIR, result.FPIR.Errors, result.FPIR.N), "det": det,
	})
}
