package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"lintel/internal/house"
	"lintel/internal/words"
	"lintel/pipeline/advice/message"
	"lintel/web/broker"
)

// A receiverLine is a receiver of advice in a list.
type receiverLine struct {
	ID, Name, Door, Added string
	Remove, Test          string // addresses; Test is "" without a broker
	Listens               bool
}

// A Broker is the MQTT broker within: package broker has one.
type Broker interface {
	Address() string // where it listens
	Topics() (prefix string)
	Listens(receiver string) bool
	Publish(ctx context.Context, receiver string, message []byte) error
	Refusals() []broker.Refusal
}

// A brokerView is how the broker within does.
type brokerView struct {
	Address, Prefix string // "" where there is none
	Refused         []figure
}

// brokerView says what the broker refused, by why.
func (s *Server) brokerView(t presenter) (view brokerView) {
	if s.Broker == nil {
		return view
	}
	view.Address, view.Prefix = s.Broker.Address(), s.Broker.Topics()
	for _, r := range s.Broker.Refusals() {
		view.Refused = append(view.Refused, figure{words.For(language).Say("mqtt-"+r.Why, house.Values{}),
			fmt.Sprintf("%s, last %s", times(r.Times), t.moment(r.Last))})
	}
	return view
}

// A newReceiver is a receiver that was added just now, with what it is known
// by, which is shown this once.
type newReceiver struct {
	ID, Name, Key, Token string
	Door                 house.Door
}

// fillReceivers lists the receivers on Upkeep, and the doors that one can be at.
func (s *Server) fillReceivers(ctx context.Context, t presenter, view *upkeepView) (err error) {
	if view.Doors, err = s.Archive.Doors(ctx); err != nil {
		return err
	}
	receivers, err := s.Archive.Receivers(ctx)
	if err != nil {
		return err
	}
	for _, receiver := range receivers {
		door, _ := doorByID(view.Doors, receiver.Door)
		address := "/upkeep/receivers/" + url.PathEscape(receiver.ID)
		line := receiverLine{ID: receiver.ID, Name: receiver.Name, Door: door.Name, Added: t.moment(receiver.AddedAt),
			Remove: address + "/remove"}
		if s.Broker != nil {
			line.Test, line.Listens = address+"/test", s.Broker.Listens(receiver.ID)
		}
		view.Receivers = append(view.Receivers, line)
	}
	view.Broker = s.brokerView(t)
	return nil
}

// submitReceiver adds a receiver of advice at a door, and shows its key and token.
func (s *Server) submitReceiver(w http.ResponseWriter, r *http.Request) error {
	posted, err := readPosted(w, r)
	if err != nil {
		return err
	}
	name, err := posted.name("name")
	if err != nil {
		return s.drawUpkeep(w, r, upkeepView{WrongReceiver: sentence(err) + " Nothing was added."})
	}
	receiver, token, err := s.Archive.AddReceiver(r.Context(), posted.Get("door"), name)
	if errors.Is(err, house.ErrNotFound) {
		return s.drawUpkeep(w, r, upkeepView{WrongReceiver: "Choose the door that the receiver is at. Nothing was added."})
	}
	if err != nil {
		return err
	}
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return err
	}
	door, _ := doorByID(doors, receiver.Door)
	return s.drawUpkeep(w, r, upkeepView{Receiver: &newReceiver{
		ID: receiver.ID, Name: receiver.Name, Door: door, Key: message.Key(receiver.Key).Text(), Token: token,
	}})
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
		return s.drawUpkeep(w, r, upkeepView{WrongReceiver: p.Title})
	}
	if err != nil {
		return err
	}
	return s.drawUpkeep(w, r, upkeepView{Tested: true})
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
	return redirect(w, r, "/upkeep#receivers")
}
