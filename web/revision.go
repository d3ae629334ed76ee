package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"lintel/internal/house"
	"lintel/web/view"
)

// Whatever residents and programs change may be changed by another meanwhile. So a
// form carries the revision of what it began from, and an answer of the API has it
// as its ETag; who saves with another one is told, and nothing is written over.

// revisionOf is the same for the same content, and else another: 64 bits of its
// SHA-256.
func revisionOf(v any) (string, error) {
	raw, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("marking a revision: %w", err)
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:8]), nil
}

// sendTagged answers with JSON and its revision as a strong ETag (RFC 9110, section
// 8.8.3).
func sendTagged(w http.ResponseWriter, v any) error {
	revision, err := revisionOf(v)
	if err != nil {
		return err
	}
	w.Header().Set("ETag", `"`+revision+`"`)
	return sendJSON(w, http.StatusOK, v)
}

// errElsewhere answers a program that would write over what another saved.
var errElsewhere = problem{Status: http.StatusPreconditionFailed, Type: "changed-meanwhile", Title: "problem-elsewhere"}

// ifMatch reports whether a program may change what is v now: errElsewhere where its
// If-Match names other revisions (RFC 9110, section 13.1.1). Without one it may.
func ifMatch(r *http.Request, v any) error {
	wants := r.Header.Values("If-Match")
	if len(wants) == 0 {
		return nil
	}
	revision, err := revisionOf(v)
	if err != nil {
		return err
	}
	for want := range strings.SplitSeq(strings.Join(wants, ","), ",") {
		if want = strings.TrimSpace(want); want == "*" || want == `"`+revision+`"` {
			return nil
		}
	}
	return errElsewhere
}

// A conflict is told where somebody saved meanwhile what a form was to change.
type conflict struct {
	Says string   // who, and when
	Now  []string // what holds since, in sentences
}

// moved compares what a form began from with what is to be changed now. Where somebody
// saved meanwhile, the form goes on from that, and the conflict says who it was and
// what holds since: both by tell, which names the subject of the audit trail too. It
// is nil where nobody did.
func (s *Server) moved(r *http.Request, began *string, now any,
	tell func(view.Presenter) (subject string, holds []string)) (*conflict, error) {
	revision, err := revisionOf(now)
	if err != nil || revision == *began {
		return nil, err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return nil, err
	}
	*began = revision
	subject, holds := tell(t)
	e, err := s.Archive.LastChange(r.Context(), subject)
	if errors.Is(err, house.ErrNotFound) {
		return &conflict{t.Words.Text("elsewhere-somebody"), holds}, nil
	}
	if err != nil {
		return nil, err
	}
	if t.Names, err = s.trailNames(r.Context()); err != nil {
		return nil, err
	}
	return &conflict{t.Words.Text("elsewhere-who", "Who", t.Actor(e.Actor), "Moment", t.Moment(e.At)), holds}, nil
}
