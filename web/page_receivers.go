package web

import (
	"context"
	"errors"
	"net/http"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/web/view"
)

var errReceiverDoor error = house.Refusal("receiver-door")

// fillReceivers lists the receivers on Upkeep, and the doors that one can be at.
func (s *Server) fillReceivers(ctx context.Context, t view.Presenter, page *upkeepView) error {
	doors, err := s.Archive.Doors(ctx)
	if err != nil {
		return err
	}
	receivers, err := s.Archive.Receivers(ctx)
	added := page.Receivers
	page.Receivers = t.Receivers(receivers, doors)
	page.Receivers.Added, page.Receivers.Wrong = added.Added, added.Wrong
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
		return s.drawUpkeep(w, r, upkeepView{Receivers: view.Receivers{Wrong: refused(err)}})
	}
	receiver, token, err := s.Archive.AddReceiver(r.Context(), posted.Get("door"), name)
	if errors.Is(err, house.ErrNotFound) {
		return s.drawUpkeep(w, r, upkeepView{Receivers: view.Receivers{Wrong: refused(errReceiverDoor)}})
	}
	if err != nil {
		return err
	}
	doors, err := s.Archive.Doors(r.Context())
	if err != nil {
		return err
	}
	door, _ := view.DoorOf(doors, receiver.Door)
	return s.drawUpkeep(w, r, upkeepView{Receivers: view.Receivers{
		Added: &view.NewReceiver{Receiver: receiver, At: door, Key: message.Key(receiver.Key).Text(), Token: token}}})
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
