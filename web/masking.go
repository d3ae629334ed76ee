package web

import (
	"context"
	"errors"
	"net/http"
	"sync"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/store"
)

// masking is the one run of [store.Archive.MaskEarlier] there may be: it takes
// a tenth of a second a still, which nobody should wait for.
type masking struct {
	mu    sync.Mutex
	bell  string // of the run, or of the last one
	state maskingJSON
}

// A maskingJSON says how far the masking of earlier stills is: the API's view.
type maskingJSON struct {
	State  string       `json:"state"` // idle, running, done, stopped or failed
	Of     int          `json:"of"`    // stills there were to mask
	Done   int          `json:"done"`
	Failed []failedJSON `json:"failed,omitempty"` // stills that could not be read or masked, and are as they were
}

// A failedJSON names a still.
type failedJSON struct {
	Visit string `json:"visit"`
	Frame int    `json:"frame"`
}

// words say how far it is, "" where nothing was to do.
func (m maskingJSON) words(w words.Words) string {
	switch m.State {
	case "running":
		return w.Text("masks-running", "Done", m.Done, "Of", m.Of)
	case "done":
		says := w.Text("masks-done", "Count", m.Done)
		if len(m.Failed) > 0 {
			says += " " + w.Text("masks-unreadable", "Count", len(m.Failed))
		}
		return says
	case "stopped", "failed":
		return w.Text("masks-halted", "Count", m.Done)
	}
	return ""
}

// of returns how far it is with a bell's stills.
func (m *masking) of(bell string) maskingJSON {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.bell != bell || m.state.State == "" {
		return maskingJSON{State: "idle"}
	}
	return m.state
}

// begin reports whether a run may begin, which then has.
func (m *masking) begin(bell string, stills int) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.state.State == "running" {
		return false
	}
	m.bell, m.state = bell, maskingJSON{State: "running", Of: stills}
	return true
}

func (m *masking) step() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state.Done++
	m.state.Of = max(m.state.Of, m.state.Done) // a still may have come meanwhile
}

func (m *masking) end(state string, changed int, failed ...failedJSON) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state.State, m.state.Done, m.state.Failed = state, changed, failed
}

// beginMasking begins a run that the server owns: Drain ends it after the
// visit it is at, and waits. What is left then can be masked by another.
func (s *Server) beginMasking(r *http.Request) error {
	bell := r.PathValue("bell")
	if _, _, err := s.masksOf(r); err != nil {
		return absent(err, errNoBell)
	}
	stills, err := s.Archive.Unmasked(r.Context(), bell)
	if err != nil {
		return err
	}
	if stills == 0 && s.masking.begin(bell, 0) {
		s.masking.end("done", 0)
		return nil
	}
	finished, ok := s.accept()
	if !ok {
		return errStopping
	}
	if !s.masking.begin(bell, stills) {
		finished()
		return errMasking
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(r.Context())) // with who asked, for the audit trail
	over := make(chan struct{})
	go func() {
		select {
		case <-s.ended:
		case <-over:
		}
		cancel()
	}()
	go func() {
		defer finished()
		defer close(over)
		changed, err := s.Archive.MaskEarlier(ctx, bell, func(jpeg []byte, masks []house.Polygon) ([]byte, error) {
			defer s.masking.step()
			return s.Mask(jpeg, masks)
		})
		s.endMasking(ctx, bell, changed, err)
	}()
	return nil
}

// endMasking says how a run ended.
func (s *Server) endMasking(ctx context.Context, bell string, changed int, err error) {
	var some store.StillsError
	switch {
	case err == nil:
		s.masking.end("done", changed)
		s.Log.Info("masked earlier stills", "bell", bell, "stills", changed)
	case errors.As(err, &some):
		var failed []failedJSON
		for _, f := range some {
			failed = append(failed, failedJSON{f.Visit, f.Frame})
		}
		s.masking.end("done", changed, failed...)
		s.Log.Error("masked earlier stills but for some, which are as they were", "bell", bell, "stills", changed, "failed",
			len(some), "err", err)
	case ctx.Err() != nil:
		s.masking.end("stopped", changed)
		s.Log.Warn("masking earlier stills was stopped with the server; the others are as they were", "bell", bell,
			"stills", changed)
	default:
		s.masking.end("failed", changed)
		s.Log.Error("masking earlier stills; those not masked yet are as they were", "bell", bell, "stills", changed,
			"err", err)
	}
}
