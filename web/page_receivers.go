package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
)

// A receiverLine is a receiver of advice in a list.
type receiverLine struct {
	Name, Door, Added, Remove string
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
		view.Receivers = append(view.Receivers, receiverLine{receiver.Name, door.Name, t.Moment(receiver.AddedAt),
			"/upkeep/receivers/" + url.PathEscape(receiver.ID) + "/remove"})
	}
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
		return s.drawUpkeep(w, r, upkeepView{WrongReceiver: sentence(err)})
	}
	receiver, token, err := s.Archive.AddReceiver(r.Context(), posted.Get("door"), name)
	if errors.Is(err, house.ErrNotFound) {
		return s.drawUpkeep(w, r, upkeepView{WrongReceiver: "Choose the door that the receiver is at."})
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

func (s *Server) submitRemoveReceiver(w http.ResponseWriter, r *http.Request) error {
	// One that is gone already is what was wanted.
	if err := s.Archive.RemoveReceiver(r.Context(), r.PathValue("receiver")); err != nil &&
		!errors.Is(err, house.ErrNotFound) {
		return err
	}
	s.erased()
	return redirect(w, r, "/upkeep#receivers")
}
