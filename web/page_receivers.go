package web

import (
	"context"
	"errors"
	"net/http"
	"slices"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/web/broker"
	"lintel/web/view"
)

// A Broker is the MQTT broker within: package broker has one.
type Broker interface {
	Address() string // where it listens
	Topics() (prefix string)
	Listens(receiver string) bool
	Connections() int // of clients
	Publish(ctx context.Context, receiver string, message []byte) error
	Refusals() []broker.Refusal
}

var errReceiverDoor error = house.Refusal("receiver-door")

// fillReceivers lists the receivers on Upkeep, and the doors that one can be at.
func (s *Server) fillReceivers(ctx context.Context, t view.Presenter, page *upkeepView) error {
	doors, err := s.Archive.Doors(ctx)
	if err != nil {
		return err
	}
	receivers, err := s.Archive.Receivers(ctx)
	page.Receivers.Doors = doors
	if s.Broker == nil {
		page.Receivers.All = t.Receivers(receivers, doors, nil)
		return err
	}
	page.Receivers.All = t.Receivers(receivers, doors, s.Broker.Listens)
	page.Receivers.Broker = &view.Broker{Address: s.Broker.Address(), Topics: s.Broker.Topics() + "/"}
	for _, r := range s.Broker.Refusals() {
		page.Receivers.Broker.Refused = append(page.Receivers.Broker.Refused, t.Refusal(r.Why, r.Times, r.Last))
	}
	return err
}

// submitReceiver adds a receiver of advice at a door, and shows its key and token.
func (s *Server) submitReceiver(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	name, err := posted.name("name")
	if err != nil {
		return s.drawUpkeep(w, r, upkeepView{Part: "sources", Receivers: view.Receivers{Wrong: refused(r, err)}})
	}
	receiver, token, err := s.Archive.AddReceiver(r.Context(), posted.Get("door"), name)
	if errors.Is(err, house.ErrNotFound) {
		return s.drawUpkeep(w, r, upkeepView{Part: "sources", Receivers: view.Receivers{Wrong: refused(r, errReceiverDoor)}})
	}
	if err != nil {
		return err
	}
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return err
	}
	door, _ := view.DoorOf(doors, receiver.Door)
	return s.drawUpkeep(w, r, upkeepView{Part: "sources", Receivers: view.Receivers{
		Added: &view.NewReceiver{Receiver: receiver, At: door, Key: message.Key(receiver.Key).Text(), Token: token}}})
}

// sendTest sends a receiver a message that says nothing.
func (s *Server) sendTest(r *http.Request) error {
	receivers, err := s.Archive.Receivers(r.Context())
	if err != nil {
		return err
	}
	i := slices.IndexFunc(receivers, func(has house.Receiver) bool { return has.ID == r.PathValue("receiver") })
	switch {
	case i < 0:
		return errNoReceiver
	case s.Broker == nil:
		return errNoBroker
	case !s.Broker.Listens(receivers[i].ID):
		return errNobodyListens
	}
	text, err := message.SignTest(receivers[i], s.Now())
	if err != nil {
		return err
	}
	return s.Broker.Publish(r.Context(), receivers[i].ID, text)
}

func (s *Server) submitTestMessage(w http.ResponseWriter, r *http.Request) error {
	err := s.sendTest(r)
	if p, known := problemOf(err); known && p.Status == http.StatusConflict {
		page := upkeepView{Part: "sources"}
		page.Receivers.Untested = p.message(speak(languageOf(r)))
		return s.drawUpkeep(w, r, page)
	}
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Part: "sources", Receivers: view.Receivers{Tested: true}})
}

func (s *Server) postTestMessage(w http.ResponseWriter, r *http.Request) error {
	if err := s.sendTest(r); err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Sent bool `json:"sent"`
	}{true})
}

func (s *Server) submitRemoveReceiver(w http.ResponseWriter, r *http.Request) error {
	// One that is gone already is what was wanted.
	if err := s.Archive.RemoveReceiver(r.Context(), r.PathValue("receiver")); err != nil &&
		!errors.Is(err, house.ErrNotFound) {
		return err
	}
	s.erased()
	return redirect(w, r, "/upkeep/sources?removed#receivers")
}
