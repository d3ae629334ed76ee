package web

import (
	"context"
	"errors"
	"net/http"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/bell"
)

// Bells is whoever sees how bells are: package bell has it.
type Bells interface {
	Receive(ctx context.Context, bell string, heartbeat []byte) (bell.Answer, error)
	Stored(bell, ring string, took time.Duration, damaged bool)
}

var (
	errHeartbeatTooLarge = problem{Status: http.StatusRequestEntityTooLarge, Type: "too-large",
		Title: "problem-heartbeat-too-large", Count: bell.LargestHeartbeat}
	errHeartbeatCut = problem{Status: http.StatusBadRequest, Type: "cut-short", Title: "problem-message-cut-short"}
)

// postHeartbeat takes in what a bell says of itself, and answers with the time and
// when to come again.
func (s *Server) postHeartbeat(w http.ResponseWriter, r *http.Request) error {
	finished, err := s.acceptSent(w)
	if err != nil {
		return err
	}
	defer finished()
	name, err := s.askedByBell(w, r)
	if err != nil {
		return err
	}
	answer, err := s.takeHeartbeat(w, r, name)
	if err != nil {
		return s.refusedHeartbeat(w, name, err)
	}
	return sendJSON(w, http.StatusOK, answer)
}

func (s *Server) takeHeartbeat(w http.ResponseWriter, r *http.Request, name string) (bell.Answer, error) {
	body, err := readBody(w, r, bell.LargestHeartbeat, errHeartbeatTooLarge, errHeartbeatCut)
	if err != nil {
		return bell.Answer{}, err
	}
	return s.TakeHeartbeat(r.Context(), name, body)
}

// TakeHeartbeat takes in a heartbeat of a bell that was authenticated, whichever way
// it came.
func (s *Server) TakeHeartbeat(ctx context.Context, name string, heartbeat []byte) (bell.Answer, error) {
	answer, err := s.Bells.Receive(ctx, name, heartbeat)
	if err == nil {
		s.figures.heartbeats.WithLabelValues(s.Archive.BellID(name)).Inc()
	}
	return answer, err
}

// refusedHeartbeat notes that a heartbeat was not taken, and returns why.
func (s *Server) refusedHeartbeat(w http.ResponseWriter, name string, err error) error {
	if errors.Is(err, bell.ErrTooOften) {
		retryAfter(w, bell.Every)
	}
	if p, known := problemOf(err); known {
		s.Log.Warn("refused a heartbeat", "bell", name, "why", p.Type)
	}
	return err
}

// A healthJSON is the API's view of how a bell is.
type healthJSON struct {
	Every  int64       `json:"heartbeat_every_s"` // 0 where none are expected
	Last   *beatJSON   `json:"last_heartbeat,omitempty"`
	Ailing []spellJSON `json:"ailing"`
	Past   []spellJSON `json:"past"`
	Days   []dayJSON   `json:"days"`
	Hours  int         `json:"view_known_hours"` // of the 24 of a day
}

type beatJSON struct {
	At       time.Time `json:"at"`
	Signal   *int      `json:"signal_dbm,omitempty"`
	Memory   *int64    `json:"free_bytes,omitempty"`
	Firmware string    `json:"firmware,omitempty"`
	Uptime   *int64    `json:"uptime_s,omitempty"`
	Ahead    *float64  `json:"clock_ahead_s,omitempty"`
	Battery  *int      `json:"battery_percent,omitempty"`
}

type spellJSON struct {
	Ailment house.Ailment `json:"ailment"`
	Since   time.Time     `json:"since"`
	Until   time.Time     `json:"until,omitzero"`
}

type dayJSON struct {
	Day     string  `json:"day"`
	Rings   int     `json:"rings"`
	Stills  int     `json:"stills"`
	Damaged int     `json:"damaged"`
	Mean    float64 `json:"upload_mean_s"`
	Slowest float64 `json:"upload_slowest_s"`
}

// getBellHealth says how a bell is.
func (s *Server) getBellHealth(w http.ResponseWriter, r *http.Request) error {
	if err := s.findBell(r); err != nil {
		return absent(err, errNoBell)
	}
	name := r.PathValue("bell")
	h, err := s.Archive.BellHealth(r.Context(), name)
	if err != nil {
		return err
	}
	days, err := s.Archive.BellDays(r.Context(), name)
	if err != nil {
		return err
	}
	seen, err := s.Archive.BellView(r.Context(), name)
	if err != nil {
		return err
	}
	j := newHealthJSON(h, days)
	j.Hours = bell.KnownHours(seen)
	return sendJSON(w, http.StatusOK, j)
}

func newHealthJSON(h house.Health, days []house.BellDay) healthJSON {
	j := healthJSON{Every: int64(h.Every() / time.Second), Ailing: []spellJSON{}, Past: []spellJSON{},
		Days: []dayJSON{}}
	if b := h.Last; b != nil {
		j.Last = &beatJSON{At: b.At, Signal: b.Signal, Memory: b.Memory, Firmware: b.Firmware, Uptime: b.Uptime,
			Battery: b.Battery}
		if ahead, known := b.ClockAhead(); known {
			seconds := ahead.Seconds()
			j.Last.Ahead = &seconds
		}
	}
	for _, spell := range h.Ailing {
		j.Ailing = append(j.Ailing, spellJSON(spell))
	}
	for _, spell := range h.Past {
		j.Past = append(j.Past, spellJSON(spell))
	}
	for _, d := range days {
		j.Days = append(j.Days, dayJSON{Day: d.Day, Rings: d.Rings, Stills: d.Stills, Damaged: d.Damaged,
			Mean: d.Mean().Seconds(), Slowest: d.Slowest.Seconds()})
	}
	return j
}

// putBellHealth says how often a bell's heartbeats are expected; 0 for none.
func (s *Server) putBellHealth(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Every *int64 `json:"heartbeat_every_s"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	if sent.Every == nil || *sent.Every < 0 || *sent.Every > int64(house.MaxInterval/time.Second) {
		return house.ErrBadInterval
	}
	err := s.expectHeartbeats(r.Context(), r.PathValue("bell"), time.Duration(*sent.Every)*time.Second)
	if err != nil {
		return absent(err, errNoBell)
	}
	return s.getBellHealth(w, r)
}

// expectHeartbeats says how often a bell's heartbeats are expected; 0 for none.
func (s *Server) expectHeartbeats(ctx context.Context, name string, every time.Duration) error {
	if every == 0 {
		every = -1
	}
	return s.Archive.SetHeartbeat(ctx, name, every)
}

// deleteBellView forgets what a bell usually sees.
func (s *Server) deleteBellView(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.ForgetBellView(r.Context(), r.PathValue("bell")); err != nil {
		return absent(err, errNoBell)
	}
	return s.getBellHealth(w, r)
}
