package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	"lintel/internal/house"
	"lintel/web/view"
)

// A receiver may have to wait for a hand: a resident confirms a suggestion, on Now,
// or at a tablet by a PIN. That opens nothing. It lets the message go, and the
// receiver decides.

// Bounds of PINs. NIST SP 800-63B asks for six figures at least where a verifier
// bounds the attempts.
const minPIN, maxPIN = 6, 12

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
	if session(r).Resident == "" { // by the API: at a page, the PIN was asked at the door
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

// checkPIN goes on when whoever asks hangs up: a wrong PIN has to be counted.
func (s *Server) checkPIN(ctx context.Context, resident, pin string) error {
	ctx = context.WithoutCancel(ctx)
	who, err := s.residentOf(ctx, resident)
	if errors.Is(err, house.ErrNotFound) || err == nil && who.PINHash == "" {
		return errPINWrong
	}
	if err != nil {
		return err
	}
	return s.checkGuess(ctx, guess{pinMiss, who.ID, pin, who.PINHash}, errPINWrong, errPINOften)
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
	if pin == "" {
		return redirect(w, r, "/upkeep?pin-removed#pin")
	}
	return redirect(w, r, "/upkeep?pin-set#pin")
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
