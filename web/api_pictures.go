package web

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"image"
	"net/http"
	"slices"
	"strconv"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/small"
	"lintel/web/view"
)

// picturesLast is how long a browser may show a small picture again without asking. A
// picture of a visit that was erased stays there no longer, wherever a page shows it
// by its old address.
const picturesLast = time.Hour

// keepPicture allows that.
var keepPicture = fmt.Sprintf("private, max-age=%d, immutable", int(picturesLast.Seconds()))

// pictureSecret is what the addresses of one session's pictures are made with. It
// lasts as long as the server runs.
type pictureSecret [32]byte

func newPictureSecret() (p pictureSecret) {
	rand.Read(p[:]) // never fails, see crypto/rand
	return p
}

// key is a part of the addresses of pictures that a session is shown: HMAC-SHA-256 of
// its id, cut to 96 bits. So no session asks for what another left in the browser.
func (p pictureSecret) key(who house.Session) string {
	m := hmac.New(sha256.New, p[:])
	fmt.Fprintf(m, "%s %s", who.ID, who.Program)
	return base64.RawURLEncoding.EncodeToString(m.Sum(nil)[:12])
}

// MakePictures makes the small pictures of a still that was examined just now, before
// anybody asks.
func (s *Server) MakePictures(ctx context.Context, still house.Still, img image.Image) error {
	return s.small.Examined(ctx, still, img)
}

// getSmallStill answers with a still, made smaller.
func (s *Server) getSmallStill(w http.ResponseWriter, r *http.Request) error {
	frame, err := strconv.Atoi(r.PathValue("frame"))
	width := oneOf(r.PathValue("width"), small.Widths)
	if err != nil || width == 0 {
		return errVisitGone
	}
	v, err := s.Archive.Visit(r.Context(), r.PathValue("visit"))
	if err != nil {
		return absent(err, errVisitGone)
	}
	if err := s.maySee(r, v.ID); err != nil {
		return err
	}
	i := slices.IndexFunc(v.Stills, func(still house.Still) bool { return still.Frame == frame && still.File != "" })
	if i < 0 {
		return errVisitGone
	}
	return s.sendPicture(w, r, v.Stills[i], func() ([]byte, error) { return s.small.Still(r.Context(), v.Stills[i], width) })
}

// getFacePicture answers with the square around a face.
func (s *Server) getFacePicture(w http.ResponseWriter, r *http.Request) error {
	size := oneOf(r.PathValue("size"), small.Sizes)
	x, err := s.Archive.Sighting(r.Context(), r.PathValue("face"))
	if err == nil && (x.File == "" || size == 0) {
		err = house.ErrNotFound
	}
	if err != nil {
		return absent(err, errVisitGone)
	}
	if err := s.maySee(r, x.Visit); err != nil {
		return err
	}
	of := house.Still{Visit: x.Visit, Frame: x.Frame, File: x.File}
	return s.sendPicture(w, r, of, func() ([]byte, error) { return s.small.Face(r.Context(), of, x.ID, size) })
}

// oneOf reads a number that is one of some, 0 for any other.
func oneOf(text string, numbers []int) int {
	n, err := strconv.Atoi(text)
	if err != nil || !slices.Contains(numbers, n) {
		return 0
	}
	return n
}

// sendPicture answers with a picture of a still. A browser may keep it for a while if
// it was asked for by the session's own address, and is of the file that stands there.
func (s *Server) sendPicture(w http.ResponseWriter, r *http.Request, of house.Still,
	picture func() ([]byte, error)) error {
	q := r.URL.Query()
	key := q.Get("k")
	if key != "" && !hmac.Equal([]byte(key), []byte(s.pictureSecret.key(session(r)))) {
		return errVisitGone
	}
	data, err := picture()
	if errors.Is(err, house.ErrNotFound) { // replaced meanwhile
		return errVisitGone
	}
	if err != nil {
		return err
	}
	s.noteLook(r, of.Visit)
	if key != "" && q.Get("of") == view.PictureOf(of.File) {
		w.Header().Set("Cache-Control", keepPicture)
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.Write(data) // an error is of who hung up
	return nil
}

// forgetPictures has the browser drop what it keeps of pictures, where it is told over
// TLS or on the server itself (Clear-Site-Data, a W3C working draft).
func forgetPictures(w http.ResponseWriter) { w.Header().Set("Clear-Site-Data", `"cache"`) }
