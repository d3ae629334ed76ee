package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// A trailView is what the page of the audit trail shows.
type trailView struct {
	Bar      barView
	Entries  []trailLine
	Newest   bool
	Earlier  int64  // the entry before which the next page begins, 0 on the last
	Checked  string // what a check of the whole trail came to
	Tampered bool
}

type trailLine struct {
	Seq      int64
	When     string
	DateTime string // for machines
	Who      string
	Did      string
	Visit    string // address of the visit it is about, if it may still be there
}

// entriesShown is how many entries a page or an answer has.
const entriesShown = 50

func (s *Server) showTrail(w http.ResponseWriter, r *http.Request) error {
	return s.drawTrail(w, r, trailView{})
}

// submitTrailCheck goes through the whole trail, which is too much for each load.
func (s *Server) submitTrailCheck(w http.ResponseWriter, r *http.Request) error {
	entries, err := s.Archive.CheckTrail(r.Context())
	view := trailView{Checked: fmt.Sprintf("The trail is intact: %s, each as it was written and in its place.",
		entriesWords(entries))}
	if errors.Is(err, store.ErrTampered) {
		s.Log.Error("the audit trail was changed", "err", err)
		view.Checked, view.Tampered = sentence(err), true
	} else if err != nil {
		return err
	}
	return s.drawTrail(w, r, view)
}

func entriesWords(n int64) string {
	if n == 1 {
		return "1 entry"
	}
	return digits(n) + " entries"
}

func (s *Server) drawTrail(w http.ResponseWriter, r *http.Request, view trailView) error {
	entries, err := s.trailEntries(r)
	if err != nil {
		return err
	}
	t, err := s.presenterFor(r.Context(), session(r))
	if err != nil {
		return err
	}
	names, err := s.trailNames(r.Context())
	if err != nil {
		return err
	}
	view.Bar, view.Newest = barOf(r, "Upkeep", "Audit trail"), r.URL.Query().Get("before") == ""
	for _, e := range entries {
		view.Entries = append(view.Entries, t.trailLine(e, names))
	}
	if n := len(entries); n == entriesShown && entries[n-1].Seq > 1 {
		view.Earlier = entries[n-1].Seq
	}
	return sendPage(w, r, http.StatusOK, "trail.html", view)
}

// trailNames returns what the trail's ids stand for. A door that is gone has no
// name any more.
func (s *Server) trailNames(ctx context.Context) (map[string]string, error) {
	names, err := s.Archive.Names(ctx)
	if err != nil {
		return nil, err
	}
	doors, err := s.Archive.Doors(ctx)
	if err != nil {
		return nil, err
	}
	for _, d := range doors {
		names["door "+d.ID] = d.Name
	}
	return names, nil
}

// trailEntries returns the entries before the one that a request names, or the
// newest.
func (s *Server) trailEntries(r *http.Request) ([]house.Entry, error) {
	before, ok := number(r, "before", 0, 1<<62)
	if !ok {
		return nil, queryProblem("before is the number of an entry.")
	}
	return s.Archive.Trail(r.Context(), before, entriesShown)
}

func (t presenter) trailLine(e house.Entry, names map[string]string) trailLine {
	line := trailLine{Seq: e.Seq, When: t.Moment(e.At), DateTime: e.At.In(t.Zone).Format(time.RFC3339),
		Who: actorWords(e.Actor, names), Did: deedWords(e, names)}
	if m := visitWords.FindStringSubmatch(e.Subject); m != nil && e.Action != "erased" {
		line.Visit = visitAddress(m[1])
	}
	return line
}

// visitWords finds the visit that an entry is about.
var visitWords = regexp.MustCompile(`^(?:advice [A-Z2-7]{26} on )?visit (.+)$`)

func actorWords(actor string, names map[string]string) string {
	switch actor {
	case house.ByItself:
		return "Lintel itself"
	case house.ByCommand:
		return "Somebody at the server"
	}
	if id, ok := strings.CutPrefix(actor, "source "); ok {
		return "The phone or reader " + id
	}
	words := named(actor, names)
	if words == actor || strings.HasPrefix(words, "the ") {
		return capital(words) // a name stays as it is written
	}
	return words
}

// deeds are the words for what an action does to its subject.
var deeds = map[string]string{
	"looked": "looked at", "consented": "recorded consent of", "withdrew": "withdrew the consent of",
	"enrolled": "enrolled a picture of", "held": "placed a hold on",
	"released": "ended the hold on", "masked": "made masked places black on", "swept": "swept by the rules:",
	"backed-up": "made a backup,",
	"paired":    "paired", "unpaired": "unpaired", "added": "added", "removed": "removed",
	"checked": "answered for a face " +
		"on", "unchecked": "took an answer back on", "renamed": "had a face judged anew on", "changed": "changed",
	"erased": "erased", "exported": "exported",
	"started": "began", "suggested": "made", "used": "let somebody in by", "dismissed": "dismissed",
	"expired": "let expire", "missed": "counted a failed attempt:",
}

// deedWords say what was done to what. A word that is not known stays as the
// trail has it.
func deedWords(e house.Entry, names map[string]string) string {
	deed, ok := deeds[e.Action]
	if !ok {
		deed = e.Action
	}
	return deed + " " + subjectWords(e.Subject, names)
}

func subjectWords(subject string, names map[string]string) string {
	var s store.Swept
	if n, err := fmt.Sscanf(subject, "visits %d, stills of %d, smaller %d", &s.Visits, &s.Findings,
		&s.Smaller); n == 3 && err == nil {
		return sweptWords(s)
	}
	if words, ok := wholeSubjects[subject]; ok {
		return words
	}
	for kind, words := range map[string]string{"masks of ": "the masks of ", "lens of ": "the lens of ",
		"stills of ": "the stills kept of ", "one-time codes of ": "the one-time codes of "} {
		if of, ok := strings.CutPrefix(subject, kind); ok {
			return words + named(of, names)
		}
	}
	return named(thingWords.ReplaceAllStringFunc(subject, func(thing string) string {
		kind, id, _ := strings.Cut(thing, " ")
		return things[kind] + " " + id
	}), names)
}

// wholeSubjects are words for subjects without an id, the last ones for failed
// attempts to give a factor.
var wholeSubjects = map[string]string{"rules": "the rules", "rules of advice": "the household’s rules for suggestions",
	"code": "a one-time code that was wrong", "token": "a token that is nobody’s, or not of who it was given for",
	"person": "something given for a person it is not of", "speed": "a phone that moved faster than it can"}

// things are words for what has an id and no name.
var things = map[string]string{"rule": "a rule for a door, number", "parcel": "an expected parcel, number",
	"factor": "a factor, number",
	"source": "a phone or reader that gives factors, number", "token": "a token, number",
	"receiver": "a receiver of suggestions, number", "trial": "a trial with pictures, number", "advice": "the suggestion"}

var thingWords = regexp.MustCompile(`^(rule|parcel|factor|source|token|receiver|trial|advice) [A-Z2-7]{26}\b`)

// idWords finds what the trail names by an id that may have a name.
var idWords = regexp.MustCompile(`\b(resident|tablet|person|bell|door) [A-Z2-7]{26}\b`)

// named puts names in the place of ids, where there still are some.
func named(words string, names map[string]string) string {
	return idWords.ReplaceAllStringFunc(words, func(id string) string {
		name, ok := names[id]
		if !ok {
			return id
		}
		kind, _, _ := strings.Cut(id, " ")
		switch kind {
		case "door":
			return "the door “" + name + "”"
		case "tablet", "bell":
			return "the " + kind + " " + name
		}
		return name
	})
}
