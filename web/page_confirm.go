package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/web/view"
)

// A receiver may have to wait for a hand: a resident confirms a suggestion, on Now,
// or at a tablet by a PIN. That opens nothing. It lets the message go, and the
// receiver decides.

// Bounds of PINs. NIST SP 800-63B asks for six figures at least where a verifier
// bounds the attempts.
const (
	minPIN, maxPIN = 6, 12
	pinMisses      = 5 // within pinWait, then none is looked at
	pinWait        = 15 * time.Minute
	pinMissesADay  = 20
)

const pinMiss = "pin"

// addHands has the presenter know at which doors somebody listens, and who may
// confirm, where a suggestion waits for it.
func (s *Server) addHands(ctx context.Context, t *view.Presenter, all []house.Advice) error {
	if !slices.ContainsFunc(all, func(d house.Advice) bool { return d.State != house.Withheld }) {
		return nil
	}
	receivers, err := s.Archive.Receivers(ctx)
	if err != nil {
		return err
	}
	t.Hears = make(map[string]bool)
	for _, r := range receivers {
		t.Hears[r.Door] = true
	}
	if t.Resident {
		return nil
	}
	residents, err := s.Archive.Residents(ctx)
	for _, r := range residents {
		if r.PINHash != "" {
			t.Hands = append(t.Hands, r)
		}
	}
	return err
}

// confirm lets receivers hear of the suggestion that the request names. At a tablet
// it takes a resident, by id, and their PIN.
func (s *Server) confirm(r *http.Request, resident, pin string) (d house.Advice, err error) {
	ctx := r.Context()
	if session(r).Resident == "" {
		if err := s.checkPIN(ctx, resident, pin); err != nil {
			return d, err
		}
		ctx = house.By(ctx, "resident "+resident)
	}
	err = s.Archive.ConfirmAdvice(ctx, r.PathValue("advice"))
	if err == nil {
		d, err = s.Archive.Advice(ctx, r.PathValue("advice"))
	}
	return d, absent(err, errNoAdvice)
}

// checkPIN goes on when whoever asks hangs up: a wrong PIN has to be counted. They
// are checked one after the other, so that many at once are counted, too.
func (s *Server) checkPIN(ctx context.Context, resident, pin string) error {
	ctx = context.WithoutCancel(ctx)
	s.pins.Lock()
	defer s.pins.Unlock()
	residents, err := s.Archive.Residents(ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(residents, func(r house.Resident) bool { return r.ID == resident && r.PINHash != "" })
	if i < 0 {
		return errPINWrong
	}
	misses, err := s.Archive.MissesSince(ctx, s.Now().Add(-24*time.Hour))
	if err != nil {
		return err
	}
	lately, today := 0, 0
	for _, m := range misses {
		if m.What == pinMiss && m.Whom == resident {
			today++
			if s.Now().Sub(m.At) < pinWait {
				lately++
			}
		}
	}
	if lately >= pinMisses || today >= pinMissesADay {
		return errPINOften
	}
	right, err := s.checkPassword(ctx, pin, residents[i].PINHash)
	if err != nil {
		return err
	}
	if !right {
		return errors.Join(errPINWrong, s.Archive.AddMiss(ctx, pinMiss, resident))
	}
	return nil
}

func (s *Server) submitConfirm(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	d, err := s.confirm(r, posted.Get("resident"), posted.Get("pin"))
	if err != nil {
		return err
	}
	return redirect(w, r, view.VisitAddress(d.Visit))
}

func (s *Server) postConfirm(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Resident string `json:"resident"`
		PIN      string `json:"pin"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	d, err := s.confirm(r, sent.Resident, sent.PIN)
	if err != nil {
		return err
	}
	return s.sendAdvice(w, r, d)
}

// setPIN gives the resident who asks a PIN, or takes it away where it is empty.
func (s *Server) setPIN(r *http.Request, pin string) error {
	hash := ""
	if pin != "" {
		figures := strings.Trim(pin, "0123456789") == ""
		if !figures || len(pin) < minPIN || len(pin) > maxPIN || strings.Count(pin, pin[:1]) == len(pin) {
			return errPINUnfit
		}
		var err error
		if hash, err = s.hashPassword(r.Context(), pin); err != nil {
			return err
		}
	}
	return s.Archive.SetPIN(r.Context(), session(r).Resident, hash)
}

func (s *Server) submitPIN(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	pin := posted.Get("pin")
	if posted.Has("end") {
		pin = ""
	} else if pin == "" || pin != posted.Get("again") {
		return s.drawUpkeep(w, r, upkeepView{WrongPIN: speak(languageOf(r)).Text("pin-differs")})
	}
	err = s.setPIN(r, pin)
	if errors.Is(err, errPINUnfit) {
		return s.drawUpkeep(w, r, upkeepView{WrongPIN: errPINUnfit.message(speak(languageOf(r)))})
	}
	if err != nil {
		return err
	}
	return redirect(w, r, "/upkeep#pin")
}

// A pinJSON says whether a resident has a PIN.
type pinJSON struct {
	Set bool `json:"set"`
}

func (s *Server) putPIN(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		PIN string `json:"pin"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	if sent.PIN == "" {
		return errPINUnfit
	}
	if err := s.setPIN(r, sent.PIN); err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, pinJSON{true})
}

func (s *Server) deletePIN(w http.ResponseWriter, r *http.Request) error {
	if err := s.setPIN(r, ""); err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, pinJSON{})
}
