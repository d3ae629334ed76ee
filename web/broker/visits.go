package broker

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/match"
	"lintel/pipeline/review"
)

// A Book is what there is to tell programs of: the visits of the archive.
type Book interface {
	Watch() (changed <-chan struct{}, stop func())
	Revision(context.Context) (int64, error)
	VisitsSince(ctx context.Context, revision int64, limit int) ([]house.Visit, error)
	TombstonesSince(ctx context.Context, revision int64, limit int) ([]house.Tombstone, error)
}

const (
	// newsTime is how long after the ring a visit is told of anew when it changes:
	// rules and masks change thousands of old ones.
	newsTime = 15 * time.Minute
	// manyVisits are read at once.
	manyVisits = 100
	// tellAgain is how long after a failure it is tried again.
	tellAgain = 10 * time.Second
)

// visitNews is what programs hear of a visit. It never says that somebody may come in.
type visitNews struct {
	Visit    string    `json:"visit"` // id
	Revision int64     `json:"revision"`
	Bell     string    `json:"bell"`     // its address
	At       time.Time `json:"at"`       // when it rang
	Examined bool      `json:"examined"` // false while stills wait for it
}

// namedNews is what programs hear of a visit that may hear names.
type namedNews struct {
	visitNews
	People []personNews `json:"people"`
	// Caution is true where there are signs that a picture was held up.
	Caution bool `json:"caution"`
}

type personNews struct {
	Person string `json:"person"` // id
	Name   string `json:"name"`
	Band   string `json:"band"` // strong, fair or weak; none where a resident said it and no face told
	// SaidBy is the name of the resident who said that it is this person, if one
	// did: that is no match, and tells of no safety.
	SaidBy string `json:"said_by,omitempty"`
}

// goneNews says that a visit was erased: whoever kept what it heard of it is to let
// that go.
type goneNews struct {
	Visit    string `json:"visit"`
	Revision int64  `json:"revision"`
	Gone     bool   `json:"gone"`
}

// A crier tells programs of visits.
type crier struct {
	*Broker
	visits, gone int64                // revisions up to which they were told
	last         map[string]toldVisit // of the last minutes, by id
}

// A toldVisit is what was told of a visit last, but for its revision.
type toldVisit struct {
	at   time.Time
	text []byte
}

// cry tells of visits until the context is done. What failed is tried again.
func (b *Broker) cry(ctx context.Context) {
	changed, stop := b.Visits.Watch()
	defer stop()
	c := &crier{Broker: b, last: make(map[string]toldVisit)}
	begun := false
	for {
		var err error
		if !begun {
			c.visits, err = b.Visits.Revision(ctx)
			c.gone, begun = c.visits, err == nil
		} else {
			err = errors.Join(c.tellVisits(ctx), c.tellGone(ctx))
		}
		if err != nil && ctx.Err() == nil {
			b.Log.Error("telling programs of visits", "err", err)
		}
		again := time.NewTimer(tellAgain)
		if err == nil {
			again.Stop()
		}
		select {
		case <-changed:
		case <-again.C:
		case <-ctx.Done():
			again.Stop()
			return
		}
		again.Stop()
	}
}

// tellVisits tells of those that rang lately and look otherwise than was told.
func (c *crier) tellVisits(ctx context.Context) error {
	for {
		visits, err := c.Visits.VisitsSince(ctx, c.visits, manyVisits)
		if err != nil {
			return err
		}
		for _, v := range visits {
			if err := c.tellVisit(ctx, v); err != nil {
				return err
			}
			c.visits = v.Revision
		}
		if len(visits) < manyVisits {
			return nil
		}
	}
}

func (c *crier) tellVisit(ctx context.Context, v house.Visit) error {
	since := c.Now().Add(-newsTime)
	for id, told := range c.last {
		if told.at.Before(since) {
			delete(c.last, id)
		}
	}
	if v.ReceivedAt.Before(since) || !v.ImportedAt.IsZero() || len(v.Stills) == 0 {
		return nil
	}
	news := newsOf(v)
	same, err := json.Marshal(news)
	if err != nil || bytes.Equal(c.last[v.ID].text, same) {
		return err
	}
	news.Revision = v.Revision
	if err := c.tellJSON(ctx, visitsTopic, news.visitNews); err != nil {
		return err
	}
	if err := c.tellJSON(ctx, namedTopic, news); err != nil {
		return err
	}
	c.last[v.ID] = toldVisit{v.ReceivedAt, same}
	return nil
}

// tellGone tells of those that went, as far as there is somebody to tell.
func (c *crier) tellGone(ctx context.Context) error {
	for {
		gone, err := c.Visits.TombstonesSince(ctx, c.gone, manyVisits)
		if err != nil {
			return err
		}
		for _, g := range gone {
			for _, topic := range []string{visitsTopic, namedTopic} {
				if err := c.tellJSON(ctx, topic, goneNews{g.Visit, g.Revision, true}); err != nil {
					return err
				}
			}
			c.gone = g.Revision
		}
		if len(gone) < manyVisits {
			return nil
		}
	}
}

func (c *crier) tellJSON(ctx context.Context, topic string, news any) error {
	text, err := json.Marshal(news)
	if err != nil {
		return fmt.Errorf("telling of a visit: %w", err)
	}
	return c.tell(ctx, c.Prefix+"/"+topic, text, 0)
}

// newsOf is what is told of a visit, but for its revision.
func newsOf(v house.Visit) namedNews {
	n := namedNews{People: []personNews{}, visitNews: visitNews{Visit: v.ID, Bell: v.Bell, At: v.ReceivedAt.UTC(),
		Examined: !v.Pending()}}
	for _, s := range v.Stills {
		for _, f := range s.Faces {
			n.Caution = n.Caution || f.Liveness != nil && f.Liveness.Level.Warns()
		}
	}
	persons, _ := review.WhoRang(v)
	for _, p := range persons {
		told := personNews{Person: p.Person, Name: p.Name, Band: cmp.Or(p.Band, string(match.None))}
		if p.Said != nil {
			told.SaidBy = p.Said.ByName
		}
		n.People = append(n.People, told)
	}
	slices.SortFunc(n.People, func(a, b personNews) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.Person, b.Person))
	})
	return n
}
