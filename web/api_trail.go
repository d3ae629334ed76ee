package web

import (
	"encoding/hex"
	"net/http"

	"lintel/internal/house"
)

// The API's view of an entry. The hash is the SHA-256 of the line that the
// fields make, see house.Entry.Text.
type entryJSON struct {
	house.Entry
	Before string `json:"before"`
	Hash   string `json:"hash"`
}

func (s *Server) listTrail(w http.ResponseWriter, r *http.Request) error {
	entries, err := s.trailEntries(r)
	if err != nil {
		return err
	}
	answer := struct {
		Entries []entryJSON `json:"entries"`
	}{[]entryJSON{}}
	for _, e := range entries {
		answer.Entries = append(answer.Entries, entryJSON{e, hex.EncodeToString(e.Before[:]),
			hex.EncodeToString(e.Hash[:])})
	}
	return sendJSON(w, http.StatusOK, answer)
}
