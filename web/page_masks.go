package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"lintel/internal/house"
	"lintel/store"
	"lintel/web/view"
)

// A masksView is what the page of a bell's masks shows.
type masksView struct {
	Bar           barView
	Bell          string
	Action        string // where the masks are sent to
	Progress      string // where it is told how far the masking is
	Saved         bool
	Wrong         wrongs // with the drawing
	Conflict      *conflict
	Revision      string // that the drawing began from
	Still         string // address; "" without any
	Width, Height int    // of the still, or of the frame in its place
	Polygons      []string
	Text          string // the polygons as the form has them
	Most          int    // corners of an outline
	MostMasks     int
	Earlier       int // stills kept before the masks were as they are
	Masking       maskingJSON
	MaskingWords  string

	Unreadable     []unreadableView // stills that the last run could not read
	UnreadableMore int              // how many others
}

// An unreadableView is a still that could not be read, by its visit.
type unreadableView struct {
	Address, Moment string
	Frame           int // from 1
}

// shownUnreadable is how many of them are listed.
const shownUnreadable = 20

// frameWidth and frameHeight are of the frame that is drawn on while there is
// no still.
const frameWidth, frameHeight = 1280, 1024

func (s *Server) showMasks(w http.ResponseWriter, r *http.Request) error {
	masks, _, err := s.masksOf(r)
	if err != nil {
		return absent(err, errNoBell)
	}
	page := masksView{Text: formatMasks(masks), Saved: r.URL.Query().Has("saved")}
	if page.Revision, err = revisionOf(masks); err != nil {
		return err
	}
	return s.drawMasks(w, r, http.StatusOK, page)
}

func masksAddress(bell string) string { return "/rules/masks/" + url.PathEscape(bell) }

// masksOf returns the masks of the bell that a request is about. The error is
// house.ErrNotFound without such a bell.
func (s *Server) masksOf(r *http.Request) (masks []house.Polygon, revision int64, err error) {
	if err := s.findBell(r); err != nil {
		return nil, 0, err
	}
	masks, revision, err = s.Archive.Masks(r.Context(), r.PathValue("bell"))
	return masks, revision, toShow(err)
}

// findBell looks for the bell that a request is about. The error is
// house.ErrNotFound if there is none.
func (s *Server) findBell(r *http.Request) error {
	return s.Archive.HasBell(r.Context(), r.PathValue("bell"))
}

// bellName is what the bell of an address is called, or the address where that can't
// be read.
func (s *Server) bellName(ctx context.Context, address string) string {
	return speak(languageIn(ctx)).Bells(s.bellNames(ctx)).Bell(address)
}

// bellNames are what bells are called by their addresses, as far as that can be read.
func (s *Server) bellNames(ctx context.Context) map[string]string {
	names, err := s.Archive.BellNames(ctx)
	if err != nil && ctx.Err() == nil {
		s.Log.Error("reading what bells are called", "err", err)
	}
	return names
}

// drawMasks shows a drawing over the bell's latest still.
func (s *Server) drawMasks(w http.ResponseWriter, r *http.Request, status int, page masksView) error {
	bell := r.PathValue("bell")
	page.Bell = s.bellName(r.Context(), bell)
	page.Bar, page.Most, page.MostMasks = barOf(r, speak(languageOf(r)).Text("masks-of", "Bell", page.Bell)),
		house.MaxMaskPoints, house.MaxMasks
	page.Action = masksAddress(bell)
	page.Progress = "/api/v1/bells/" + url.PathEscape(bell) + "/masks/earlier"
	page.Width, page.Height = frameWidth, frameHeight
	still, found, err := s.latestStill(r.Context(), bell)
	if err != nil {
		return err
	}
	if found {
		page.Still, page.Width, page.Height = view.StillAddress(still), still.Width, still.Height
	}
	// What can't be read is not drawn; the text says it as it was typed.
	if masks, err := parseMasks(page.Text); err == nil {
		page.Polygons = strings.Split(formatMasks(masks), "\n")
		if len(masks) == 0 {
			page.Polygons = nil
		}
	}
	if page.Earlier, err = s.Archive.Unmasked(r.Context(), bell); err != nil {
		return err
	}
	if page.Masking = s.masking.of(bell); page.Masking.State == "running" {
		page.Earlier = 0 // one run is enough
	}
	page.MaskingWords = page.Masking.words(speak(languageOf(r)))
	if err := s.addUnreadable(r, &page); err != nil {
		return err
	}
	return sendPage(w, r, status, "masks.html", page)
}

// addUnreadable lists stills that the last run could not read; those whose visits
// went since are left out.
func (s *Server) addUnreadable(r *http.Request, page *masksView) error {
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	failed := page.Masking.Failed
	for _, f := range failed[:min(len(failed), shownUnreadable)] {
		v, err := s.Archive.Visit(r.Context(), f.Visit)
		if errors.Is(err, house.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		page.Unreadable = append(page.Unreadable, unreadableView{view.VisitAddress(f.Visit), t.Moment(v.ReceivedAt),
			f.Frame + 1})
	}
	page.UnreadableMore = max(0, len(failed)-shownUnreadable)
	return nil
}

// latestStill returns the newest still of a bell that is not gone, of the
// hundred newest visits.
func (s *Server) latestStill(ctx context.Context, bell string) (still house.Still, found bool, err error) {
	for _, some := range []int{2, 100} { // the newest has one almost always
		page, err := s.Archive.Book(ctx, store.Filter{Bell: bell}, store.Cursor{}, some)
		if err != nil {
			return still, false, err
		}
		for _, v := range page.Visits {
			for _, still := range v.Stills {
				if still.File != "" {
					return still, true, nil
				}
			}
		}
	}
	return still, false, nil
}

// submitMasks keeps what was drawn, or typed.
func (s *Server) submitMasks(w http.ResponseWriter, r *http.Request) error {
	posted, err := readLongForm(w, r, maxJSON)
	if err != nil {
		return err
	}
	page := masksView{Text: posted.Get("masks"), Revision: posted.Get("revision")}
	masks, err := parseMasks(page.Text)
	if err == nil {
		err = house.CheckMasks(masks)
	}
	if errors.Is(err, house.ErrBadMask) {
		page.Wrong.add("text", err)
		return s.drawMasks(w, r, http.StatusUnprocessableEntity, page)
	}
	if err != nil {
		return err
	}
	s.deciding.Lock()
	defer s.deciding.Unlock()
	if moved, err := s.masksMoved(w, r, page); moved || err != nil {
		return absent(err, errNoBell)
	}
	if err := s.Archive.SetMasks(r.Context(), r.PathValue("bell"), masks); err != nil {
		return absent(err, errNoBell)
	}
	return redirect(w, r, masksAddress(r.PathValue("bell"))+"?saved")
}

// masksMoved shows a drawing, and says that somebody saved other masks since it was
// begun; it reports whether it did.
func (s *Server) masksMoved(w http.ResponseWriter, r *http.Request, page masksView) (bool, error) {
	now, _, err := s.masksOf(r)
	if err != nil {
		return false, err
	}
	page.Conflict, err = s.moved(r, &page.Revision, now, func(t view.Presenter) (string, []string) {
		return s.Archive.MasksSubject(r.PathValue("bell")), []string{t.Words.Text("elsewhere-masks", "Count", len(now))}
	})
	if page.Conflict == nil {
		return false, err
	}
	return true, s.drawMasks(w, r, http.StatusConflict, page)
}

// formatMasks writes masks as the form has them: a line for each, its corners
// with spaces between, each as "x,y" in fractions of the still's width and
// height. That is what SVG takes for points of a polygon as well.
func formatMasks(masks []house.Polygon) string {
	var lines []string
	for _, m := range masks {
		var corners []string
		for _, p := range m {
			corners = append(corners, strconv.FormatFloat(p.X, 'g', -1, 64)+","+strconv.FormatFloat(p.Y, 'g', -1, 64))
		}
		lines = append(lines, strings.Join(corners, " "))
	}
	return strings.Join(lines, "\n")
}

// parseMasks reads what formatMasks wrote, or somebody typed; lines with
// nothing are passed over. The error is house.ErrBadMask.
func parseMasks(text string) (masks []house.Polygon, err error) {
	for line := range strings.Lines(text) {
		var m house.Polygon
		for _, corner := range strings.Fields(line) {
			x, y, ok := strings.Cut(corner, ",")
			var p house.Point
			var errX, errY error
			p.X, errX = strconv.ParseFloat(x, 64)
			p.Y, errY = strconv.ParseFloat(y, 64)
			if !ok || errX != nil || errY != nil {
				return nil, house.FaultIn{What: "mask", Which: len(masks) + 1,
					Err: house.Fault{Of: house.ErrBadMask, Code: "mask-corner", Told: []any{"Text", corner}}}
			}
			m = append(m, p)
		}
		if m != nil {
			masks = append(masks, m)
		}
	}
	return masks, nil
}

// submitMaskEarlier begins to make black what the bell's masks cover on the stills
// kept before, and answers at once.
func (s *Server) submitMaskEarlier(w http.ResponseWriter, r *http.Request) error {
	if err := s.beginMasking(r); err != nil {
		return err
	}
	return redirect(w, r, masksAddress(r.PathValue("bell")))
}
