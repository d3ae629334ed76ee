package web

import (
	"net/http"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
)

func (s *Server) listReceivers(w http.ResponseWriter, r *http.Request) error {
	receivers, err := s.Archive.Receivers(r.Context())
	if err != nil {
		return err
	}
	return sendJSON(w, http.StatusOK, struct {
		Receivers []house.Receiver `json:"receivers"`
	}{append([]house.Receiver{}, receivers...)})
}

// postReceiver adds a receiver, and answers with its key and token, this once.
func (s *Server) postReceiver(w http.ResponseWriter, r *http.Request) error {
	var sent struct {
		Door string `json:"door"`
		Name string `json:"name"`
	}
	if err := bodyJSON(w, r, &sent); err != nil {
		return err
	}
	name, err := properName(sent.Name)
	if err != nil {
		return err
	}
	receiver, token, err := s.Archive.AddReceiver(r.Context(), sent.Door, name)
	if err != nil {
		return absent(err, errNoDoor)
	}
	return sendJSON(w, http.StatusCreated, struct {
		house.Receiver
		Key   string `json:"key"`
		Token string `json:"token"`
	}{receiver, message.Key(receiver.Key).Text(), token})
}

func (s *Server) deleteReceiver(w http.ResponseWriter, r *http.Request) error {
	if err := s.Archive.RemoveReceiver(r.Context(), r.PathValue("receiver")); err != nil {
		return absent(err, errNoReceiver)
	}
	s.erased()
	return s.listReceivers(w, r)
}
