package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"time"

	"lintel/internal/house"
)

// A reading is something that pages and programs read.
type reading = func(context.Context) error

// longAgo is before all that the tests' archives have.
var longAgo = time.Date(2001, 1, 1, 0, 0, 0, 0, time.UTC)

// readings are what pages and programs read.
func readings(a *Archive, visits []string, person string) map[string]reading {
	all := make(map[string]reading)
	for _, some := range []map[string]reading{
		visitReadings(a, visits, person),
		peopleReadings(a),
		houseReadings(a, visits, person),
		bellReadings(a, person),
	} {
		maps.Copy(all, some)
	}
	return all
}

func visitReadings(a *Archive, visits []string, person string) map[string]reading {
	return map[string]reading{
		"visits": func(ctx context.Context) error {
			all, err := a.LatestVisits(ctx, 100)
			if err == nil && len(all) != len(visits) {
				err = fmt.Errorf("%d visits", len(all))
			}
			_, bookErr := a.Book(ctx, Filter{}, Cursor{}, 100)
			_, ringErr := a.Rings(ctx, Filter{})
			_, dayErr := a.Days(ctx, Filter{From: longAgo, Until: a.now().Add(time.Hour)}, time.UTC)
			_, sinceErr := a.VisitsSince(ctx, 0, 100)
			_, _, ofErr := a.VisitsOf(ctx, person, Cursor{}, 100)
			for _, v := range visits {
				_, e := a.Visit(ctx, v)
				err = errors.Join(err, e)
			}
			return errors.Join(err, bookErr, ringErr, dayErr, sinceErr, ofErr)
		},
		"stills": func(ctx context.Context) (err error) {
			for _, v := range visits {
				_, e := a.ReadStill(ctx, v, 0)
				err = errors.Join(err, e)
			}
			return err
		},
		"people": func(ctx context.Context) error {
			_, err := a.Persons(ctx)
			_, consentErr := a.Consents(ctx, person)
			refs, enrolErr := a.Enrolments(ctx, person)
			for _, r := range refs {
				_, e := a.Portrait(ctx, person, r.ID)
				if !errors.Is(e, house.ErrNotFound) {
					err = errors.Join(err, e)
				}
			}
			_, galleryErr := a.Gallery(ctx)
			_, portraitErr := a.Portraits(ctx)
			_, answerErr := a.AnswersAbout(ctx, person)
			_, sureErr := a.SurelyOf(ctx, person, 5)
			_, codeErr := a.OneTimePersons(ctx)
			return errors.Join(err, consentErr, enrolErr, galleryErr, portraitErr, answerErr, sureErr, codeErr)
		},
		"checks": func(ctx context.Context) error {
			_, err := a.Doubtful(ctx, 1, "~", 50)
			_, strangerErr := a.Strangers(ctx, 50)
			_, _, sightErr := a.Sightings(ctx, longAgo, 50)
			_, answeredErr := a.Answered(ctx, 50)
			return errors.Join(err, strangerErr, sightErr, answeredErr)
		},
	}
}

func peopleReadings(a *Archive) map[string]reading {
	return map[string]reading{
		"household": func(ctx context.Context) error {
			_, err := a.Household(ctx)
			return err
		},
		"accounts": func(ctx context.Context) error {
			_, err := a.Residents(ctx)
			_, tabletErr := a.Tablets(ctx)
			_, sessionErr := a.ResidentSessions(ctx)
			_, linkErr := a.Invitations(ctx)
			_, programErr := a.Programs(ctx)
			_, nameErr := a.Names(ctx)
			return errors.Join(err, tabletErr, sessionErr, linkErr, programErr, nameErr)
		},
		"bells": func(ctx context.Context) error {
			bells, err := a.Bells(ctx)
			for _, b := range bells {
				_, healthErr := a.BellHealth(ctx, b.Address)
				_, beatErr := a.Heartbeats(ctx, b.Address, longAgo)
				_, dayErr := a.BellDays(ctx, b.Address)
				_, viewErr := a.BellView(ctx, b.Address)
				_, _, displayErr := a.Display(ctx, b.Address)
				_, _, lensErr := a.Lens(ctx, b.Address)
				_, _, messageErr := a.CurrentMessage(ctx, b.Address)
				_, whichErr := a.Bell(ctx, b.Address)
				err = errors.Join(err, healthErr, beatErr, dayErr, viewErr, displayErr, lensErr, messageErr, whichErr)
			}
			_, nameErr := a.BellNames(ctx)
			_, healthErr := a.BellHealths(ctx)
			_, doubtErr := a.Doubts(ctx)
			_, trialErr := a.Trials(ctx)
			_, endErr := a.TrialEnds(ctx)
			return errors.Join(err, nameErr, healthErr, doubtErr, trialErr, endErr)
		},
		"masks": func(ctx context.Context) error {
			_, _, err := a.Masks(ctx, "gate")
			return err
		},
		"rules": func(ctx context.Context) error {
			_, err := a.Rules(ctx)
			return err
		},
	}
}

func houseReadings(a *Archive, visits []string, person string) map[string]reading {
	return map[string]reading{
		"settings": func(ctx context.Context) error {
			_, adviceErr := a.AdviceRules(ctx)
			_, chimeErr := a.Chime(ctx)
			_, priorErr := a.Prior(ctx)
			_, _, outsideErr := a.Outside(ctx)
			_, _, messageErr := a.MessageRules(ctx)
			_, _, backupErr := a.LastBackup(ctx)
			_, startErr := a.Started(ctx)
			_, distanceErr := a.StrangerDistances(ctx)
			_, usageErr := a.Usage(ctx)
			if errors.Is(outsideErr, house.ErrNotFound) {
				outsideErr = nil
			}
			return errors.Join(adviceErr, chimeErr, priorErr, outsideErr, messageErr, backupErr, startErr, distanceErr,
				usageErr)
		},
		"advice": func(ctx context.Context) error {
			_, doorErr := a.Doors(ctx)
			_, ruleErr := a.DoorRules(ctx)
			_, parcelErr := a.ParcelRules(ctx)
			_, sinceErr := a.AdviceSince(ctx, longAgo)
			_, untilErr := a.AdviceUntil(ctx, longAgo)
			_, onErr := a.AdviceOn(ctx, visits...)
			_, ofErr := a.AdviceOf(ctx, person)
			_, expireErr := a.ExpireAdvice(ctx)
			_, receiverErr := a.Receivers(ctx)
			_, tokenErr := a.Tokens(ctx)
			sources, err := a.Sources(ctx)
			for _, s := range sources {
				_, stateErr := a.SourceState(ctx, s.ID)
				_, reportErr := a.ReportsOf(ctx, s.ID, longAgo)
				err = errors.Join(err, stateErr, reportErr)
			}
			_, holdErr := a.Holds(ctx)
			return errors.Join(err, doorErr, ruleErr, parcelErr, sinceErr, untilErr, onErr, ofErr, expireErr, receiverErr,
				tokenErr, holdErr)
		},
		"key": func(ctx context.Context) (err error) {
			sources, _ := a.Sources(ctx)
			for _, s := range sources {
				_, e := a.SourceKey(ctx, s.ID)
				err = errors.Join(err, e)
			}
			return err
		},
	}
}

func bellReadings(a *Archive, person string) map[string]reading {
	return map[string]reading{
		"move": func(ctx context.Context) (err error) {
			sources, _ := a.Sources(ctx)
			for _, s := range sources {
				_, e := a.MoveSource(ctx, s.ID, func(state json.RawMessage) (house.SourceMove, error) {
					return house.SourceMove{State: state}, nil
				})
				err = errors.Join(err, e)
			}
			return err
		},
		"standing": func(ctx context.Context) error {
			_, err := a.Standing(ctx)
			return err
		},
		"trail": func(ctx context.Context) error {
			_, trailErr := a.Trail(ctx, 0, 100)
			_, ofErr := a.TrailOf(ctx, person, 0, 100)
			_, err := a.CheckTrail(ctx)
			return errors.Join(err, trailErr, ofErr)
		},
	}
}
