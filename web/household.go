package web

import (
	"context"
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/cluster"
	"lintel/pipeline/match"
)

// A householdView says what it means for this household that groups of people
// differ in how often they are taken for each other.
type householdView struct {
	Persons int
	Pairs   int // of persons
	Closest []closestView
	Apart   bool   // whether no two are near enough to be named as each other
	Ends    string // the distance where naming ends now
	Shipped string // where it would without the household's own strangers; "" if there too
	Own     int    // strangers that somebody answered for
	Enough  int    // of them, for rates to fall too
}

type closestView struct {
	One, Other string
	Distance   string
	Band       match.Band // of a face as near as that
}

// closestShown is how many pairs are named.
const closestShown = 3

// household measures how alike the persons are who are enrolled.
func (s *Server) household(ctx context.Context) (householdView, error) {
	references, err := s.Archive.Gallery(ctx)
	if err != nil {
		return householdView{}, err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return householdView{}, err
	}
	names, err := s.review.Names(ctx)
	if err != nil {
		return householdView{}, err
	}
	return householdOf(references, gallery, names), nil
}

func householdOf(references []house.Reference, gallery *match.Gallery, names map[string]string) householdView {
	n := gallery.Size().Persons
	view := householdView{
		Persons: n, Pairs: n * (n - 1) / 2, Apart: true,
		Own: gallery.Curve().Strangers, Enough: match.EnoughStrangers,
	}
	for _, p := range cluster.Closest(references, closestShown) {
		band := gallery.BandOf(p.Distance)
		view.Apart = view.Apart && band == match.None
		one, other := names[p.One], names[p.Other]
		view.Closest = append(view.Closest,
			closestView{min(one, other), max(one, other), fmt.Sprintf("%.2f", p.Distance), band})
	}
	view.Ends = fmt.Sprintf("%.3f", gallery.Threshold(match.None))
	shipped := fmt.Sprintf("%.3f", match.Shipped().Threshold(match.Weak.Limit(), gallery.Size()))
	if shipped != view.Ends {
		view.Shipped = shipped
	}
	return view
}

// A pictureView says what one of a person's references adds to the others.
type pictureView struct {
	Width int // of the face, in pixels
	Words string
}

// picturesOf says of each of a person's references what it adds, and asks for
// more where there are few.
func (s *Server) picturesOf(ctx context.Context, person house.Person) (pictures []pictureView, more string, err error) {
	references, err := s.Archive.Gallery(ctx)
	if err != nil {
		return nil, "", err
	}
	gallery, err := s.gallery.Gallery(ctx)
	if err != nil {
		return nil, "", err
	}
	for _, r := range references {
		if r.Person == person.ID {
			gain := match.GainOf(r, references, gallery.Curve())
			words := speak(language).Gain(person.Name, gain.Others, string(gain.Band), gain.FPIR)
			if gain.Others == 0 {
				words = "The only picture, so there is none to compare it with."
			}
			pictures = append(pictures, pictureView{r.FaceWidth, words})
		}
	}
	if len(pictures) < match.EnoughPictures {
		more = speak(language).Text("pictures-more", "Name", person.Name)
	}
	return pictures, more, nil
}
