package web

import (
	"context"
	"errors"
	"net/http"
	"slices"

	"lintel/internal/house"
	"lintel/internal/qr"
	"lintel/web/certificate"
)

const startAddress = "/start"

// A startView is what the page of the first steps shows: each with whether it is
// done, which is what the archive says, so that the page can be left at any time.
type startView struct {
	Bar   barView
	Steps []startStep
	Open  string // the step to take next, "" where all are taken
	State string // changes when a step is taken elsewhere, such as by a ring
	Told  string // what was just done

	Zone      string // of the household, "" where nobody chose
	ZoneWrong string
	Zones     []string
	Here      string // the time by the zone that holds now

	Bells []startBell
	Reach string // where a bell and a tablet find the server
	Alone bool   // whether only this machine finds it

	Code string // a pairing code just made, "" for none
	Pair qrView // of the address where a tablet is paired

	TLS   bool
	Made  bool   // whether there is a certificate, for the next start
	Trust string // where a device comes to trust it
}

// A qrView is an address, or a secret, with its QR code.
type qrView struct {
	Text string
	Path string // of an SVG of
	Side int    // units
}

func qrOf(text string) (qrView, error) {
	code, err := qr.New(text)
	if err != nil {
		return qrView{}, err
	}
	return qrView{text, code.Path(), code.Side()}, nil
}

// A startStep is one of the first steps, by the name that its words have.
type startStep struct {
	Name string
	Done bool
}

// A startBell is a bell with where its masks are laid and its lens is told.
type startBell struct {
	Name, Address string
	Rang          bool
	Masks, Lens   string
}

// firstSteps are in the order in which they are taken.
var firstSteps = []string{"house", "bell", "look", "person", "certificate", "tablet"}

func (s *Server) showStart(w http.ResponseWriter, r *http.Request) error {
	told := ""
	if r.URL.Query().Has("saved") {
		told = speak(languageOf(r)).Text("start-saved")
	}
	return s.drawStart(w, r, startView{Told: told})
}

func (s *Server) drawStart(w http.ResponseWriter, r *http.Request, page startView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	page.Bar = barOf(r, t.Words.Text("start-title"))
	if page.ZoneWrong == "" {
		page.Zone = t.Rules.Zone
	}
	page.Zones, page.Here = zoneNames(), t.Words.Clock(t.Now.In(t.Zone))
	page.TLS, page.Reach = s.TLS, reachedBy(r.Host, certificate.Found())
	page.Alone = page.Reach != r.Host && !s.TLS
	if page.Steps, err = s.startSteps(r.Context()); err != nil {
		return err
	}
	next := slices.IndexFunc(page.Steps, func(step startStep) bool { return !step.Done })
	if next >= 0 {
		page.Open = page.Steps[next].Name
	}
	if page.Code != "" {
		page.Open = "tablet"
	}
	page.Made = page.Steps[slices.Index(firstSteps, "certificate")].Done
	page.Trust = "http://" + page.Reach + trustAddress
	if page.Bells, err = s.startBells(r.Context()); err != nil {
		return err
	}
	page.State = startState(page.Steps, page.Bells)
	if page.Code != "" {
		if page.Pair, err = qrOf(scheme(s.TLS) + page.Reach + "/pair"); err != nil {
			return err
		}
	}
	status := http.StatusOK
	if page.ZoneWrong != "" {
		status = http.StatusUnprocessableEntity
	}
	return sendPage(w, r, status, "start.html", page)
}

// startSteps looks which of the first steps are taken.
func (s *Server) startSteps(ctx context.Context) ([]startStep, error) {
	rules, err := s.Archive.Rules(ctx)
	if toShow(err) != nil {
		return nil, err
	}
	bells, err := s.Archive.Bells(ctx)
	if err != nil {
		return nil, err
	}
	persons, err := s.Archive.Persons(ctx)
	if err != nil {
		return nil, err
	}
	tablets, err := s.Archive.Tablets(ctx)
	if err != nil {
		return nil, err
	}
	looked, err := s.lookedAfter(ctx, bells)
	if err != nil {
		return nil, err
	}
	_, err = s.Archive.Certificates(ctx)
	if err != nil && !errors.Is(err, house.ErrNotFound) {
		return nil, err
	}
	done := map[string]bool{"house": rules.Zone != "", "bell": len(bells) > 0, "look": looked,
		"person": slices.ContainsFunc(persons, func(p house.Person) bool { return p.References > 0 }),
		"tablet": len(tablets) > 0, "certificate": s.TLS || err == nil}
	var steps []startStep
	for _, name := range firstSteps {
		steps = append(steps, startStep{name, done[name]})
	}
	return steps, nil
}

// lookedAfter reports whether somebody told how a bell looks, or what it may not see.
func (s *Server) lookedAfter(ctx context.Context, bells []house.Bell) (bool, error) {
	for _, b := range bells {
		_, known, err := s.Archive.Lens(ctx, b.Address)
		if err != nil || known {
			return known, err
		}
		masks, _, err := s.Archive.Masks(ctx, b.Address)
		if toShow(err) != nil || len(masks) > 0 {
			return len(masks) > 0, toShow(err)
		}
	}
	return false, nil
}

// startState is another for every step that is taken, and for every bell that rang.
func startState(steps []startStep, bells []startBell) string {
	state := make([]byte, 0, len(steps)+len(bells))
	add := func(done bool) {
		if done {
			state = append(state, '1')
		} else {
			state = append(state, '0')
		}
	}
	for _, step := range steps {
		add(step.Done)
	}
	for _, b := range bells {
		add(b.Rang)
	}
	return string(state)
}

func (s *Server) startBells(ctx context.Context) (lines []startBell, err error) {
	bells, err := s.Archive.Bells(ctx)
	for _, b := range bells {
		lines = append(lines, startBell{Name: b.Name, Address: b.Address, Rang: !b.HeardAt.IsZero(),
			Masks: masksAddress(b.Address), Lens: lensAddress(b.Address)})
	}
	return lines, err
}

// getStartState tells the page whether a step was taken meanwhile.
func (s *Server) getStartState(w http.ResponseWriter, r *http.Request) error {
	steps, err := s.startSteps(r.Context())
	if err != nil {
		return err
	}
	bells, err := s.startBells(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		State string `json:"state"`
	}{startState(steps, bells)})
}

// submitStartZone keeps the household's time zone, and leaves its other rules alone.
func (s *Server) submitStartZone(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	rules, err := s.Archive.Rules(r.Context())
	if err != nil {
		return err
	}
	if rules.Zone = posted.text("zone"); rules.Zone == "" {
		err = house.Fault{Of: house.ErrBadRule, Code: "zone", Told: []any{"Zone", ""}}
	} else {
		err = s.Archive.SetRules(r.Context(), rules)
	}
	if errors.Is(err, house.ErrBadRule) {
		return s.drawStart(w, r, startView{Zone: rules.Zone, ZoneWrong: refused(r, err)})
	}
	if err != nil {
		return err
	}
	return redirect(w, r, startAddress+"?saved")
}

// submitStartCertificate makes a certificate of the house's own, which the next start
// of the server serves by.
func (s *Server) submitStartCertificate(w http.ResponseWriter, r *http.Request) error {
	err := s.Archive.ChangeCertificates(r.Context(), func(now *house.Certificates) error {
		return certificate.Make(now, certificate.Union(now.Names, certificate.Found()), s.Now())
	})
	if err != nil {
		return err
	}
	return redirect(w, r, startAddress+"#certificate")
}

// submitStartTablet makes a code to pair a tablet by.
func (s *Server) submitStartTablet(w http.ResponseWriter, r *http.Request) error {
	code, err := s.pairingCode(r)
	if err != nil {
		return err
	}
	return s.drawStart(w, r, startView{Code: code[:4] + " " + code[4:]})
}

// scheme begins an address of this server.
func scheme(tls bool) string {
	if tls {
		return "https://"
	}
	return "http://"
}

// submitStarted puts the first steps away.
func (s *Server) submitStarted(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.SetStarted(r.Context(), true); err != nil {
		return err
	}
	return redirect(w, r, "/")
}

// nextStep is how many of the first steps are taken, for the page Now of a resident;
// it reports false where they were put away, or all are taken.
func (s *Server) nextStep(ctx context.Context) (taken int, more bool, err error) {
	started, err := s.Archive.Started(ctx)
	if err != nil || started {
		return 0, false, err
	}
	steps, err := s.startSteps(ctx)
	for _, step := range steps {
		if step.Done {
			taken++
		}
	}
	return taken, taken < len(steps), err
}
