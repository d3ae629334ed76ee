// Package export gives a person all that is held of them: the access export.
//
//	e, err := export.Begin(ctx, archive, "Ada Quill", export.Options{Now: time.Now()})
//	sum, err := e.Write(ctx, w)
//
// What comes in is an archive and a person. What goes out is a zip file, as a
// stream, or that zip encrypted with age:
//
//	index.html   all of it to read: opens by itself, loads nothing, prints
//	data.json    the same for programs; it explains its own fields
//	references/  the face on pictures that it is compared with
//	stills/      the stills of visits that name the person, others' faces unseen
//	SHA256SUMS   checked by sha256sum -c
//
// # Who else is in it
//
// Nobody by name. Article 15(4) of the GDPR wants the rights of others left
// whole, so no export has the name or id of another person, of a resident or
// of a tablet, nor a bell's id of a ring. Who looked at a visit is “a
// resident”. What the household wrote freely, such as the reason of a hold,
// has the names that the archive knows taken out; it can't know all. Only who
// consented for the person stays named, since that is whom to ask.
//
// A face that was neither taken for the person's nor is by an answer is blurred (package redact), and
// a still on which faces were not looked for is not given out, since nobody
// can say who is on it. It is listed, and so is each still that is gone, lost
// or broken.
//
// # One state
//
// Visits come and go while an export is made. Each still is blurred by findings
// that were the same before and after it was read, and what the page and the
// JSON say of it is what was given out. So both are made while the stills go
// out, and kept until then in memory, deflated: under a kilobyte a still.
//
// The articles of the GDPR, Regulation (EU) 2016/679, are cited from memory.
package export

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/store"
)

// Archive is what an export needs of a [store.Archive].
type Archive interface {
	Person(ctx context.Context, idOrName string) (house.Person, error)
	Consents(ctx context.Context, person string) ([]house.RecordedConsent, error)
	Enrolments(ctx context.Context, person string) ([]house.Enrolment, error)
	Portrait(ctx context.Context, person, reference string) ([]byte, error)
	Rules(ctx context.Context) (house.Rules, error)
	Names(ctx context.Context) (map[string]string, error)
	BellNames(ctx context.Context) (map[string]string, error)
	VisitsOf(ctx context.Context, person string, from store.Cursor, limit int) ([]house.Visit, store.Cursor, error)
	AnswersAbout(ctx context.Context, person string) ([]house.Sighting, error)
	Visit(ctx context.Context, id string) (house.Visit, error)
	ReadStill(ctx context.Context, visit string, frame int) ([]byte, error)
	TrailOf(ctx context.Context, person string, after int64, limit int) ([]house.Entry, error)
	Note(ctx context.Context, action, subject string) error

	Sources(ctx context.Context) ([]house.Source, error)
	SourceState(ctx context.Context, id string) (json.RawMessage, error)
	ReportsOf(ctx context.Context, source string, since time.Time) ([]house.KeptReport, error)
	Tokens(ctx context.Context) ([]house.CarriedToken, error)
	OneTimePersons(ctx context.Context) ([]string, error)
	Doors(ctx context.Context) ([]house.Door, error)
	DoorRules(ctx context.Context) ([]house.DoorRule, error)
	FactorsSince(ctx context.Context, t time.Time) ([]house.Factor, error)
	MissesSince(ctx context.Context, t time.Time) ([]house.Miss, error)
	AdviceOf(ctx context.Context, person string) ([]house.Advice, error)
}

// Options say how to export.
type Options struct {
	// Now is when the export is made.
	Now time.Time
	// Zone is for households whose rules name none; nil is the server's.
	Zone *time.Location
	// Language is that of the page and of what is said in the record, by its tag; ""
	// is English.
	Language string
	// Recipients, if there are any, are whom the zip is encrypted to.
	Recipients []age.Recipient
}

// A Summary says what an export holds.
type Summary struct {
	Visits     int `json:"visits"`
	Stills     int `json:"stills"`
	Blurred    int `json:"blurred"`
	Gone       int `json:"gone"`
	Withheld   int `json:"withheld"`
	Unreadable int `json:"unreadable"`
}

// An Export is one that has begun: the audit trail has it, and nothing was
// given out yet.
type Export struct {
	archive    Archive
	person     house.Person
	consents   []house.RecordedConsent
	references []house.Enrolment
	portraits  map[string]string // files of their pictures, by their ids
	answers    []answerRecord
	second     second
	rules      house.Rules
	zone       *time.Location
	others     others
	bells      map[string]string // what they are called, by address
	now        time.Time
	language   string
	recipients []age.Recipient
	page       *template.Template
}

// Begin begins the export of a person, named as in [store.Archive.Person], and
// adds it to the audit trail, by whom ctx says. Every error of its comes before
// anything is given out: house.ErrNotFound, house.ErrAmbiguous, or an archive
// that can't be read or takes no entry.
func Begin(ctx context.Context, a Archive, person string, o Options) (*Export, error) {
	e := &Export{archive: a, now: o.Now, zone: o.Zone, language: o.Language, recipients: o.Recipients}
	if err := e.look(ctx, person); err != nil {
		return nil, fmt.Errorf("exporting what is held of a person: %w", err)
	}
	if err := a.Note(ctx, "exported", "person "+e.person.ID); err != nil {
		return nil, fmt.Errorf("exporting what is held of a person: %w", err)
	}
	return e, nil
}

// look reads all but the visits.
func (e *Export) look(ctx context.Context, person string) (err error) {
	if e.person, err = e.archive.Person(ctx, person); err != nil {
		return err
	}
	if e.consents, err = e.archive.Consents(ctx, e.person.ID); err != nil {
		return err
	}
	if e.references, err = e.archive.Enrolments(ctx, e.person.ID); err != nil {
		return err
	}
	if err := e.lookForAnswers(ctx); err != nil {
		return err
	}
	if e.rules, err = e.archive.Rules(ctx); err != nil && !errors.Is(err, house.ErrUnvouched) {
		return err
	}
	if e.zone == nil || e.rules.Zone != "" {
		e.zone = e.rules.Location()
	}
	if e.page, err = page.Clone(); err != nil {
		return fmt.Errorf("preparing the page: %w", err)
	}
	e.page.Funcs(e.words())
	names, err := e.archive.Names(ctx)
	if err != nil {
		return err
	}
	e.others = othersThan(e.person.Name, names, e.speaker(nil))
	if e.bells, err = e.archive.BellNames(ctx); err != nil {
		return err
	}
	return e.lookSecond(ctx)
}

// lookForAnswers reads what residents answered about the person. Whose else a
// face is stays theirs.
func (e *Export) lookForAnswers(ctx context.Context) error {
	all, err := e.archive.AnswersAbout(ctx, e.person.ID)
	e.answers = []answerRecord{}
	for _, x := range all {
		own := x.Check.Person == e.person.ID
		e.answers = append(e.answers, answerRecord{x.Check.At, own, x.Visit, x.ReceivedAt, x.Frame})
	}
	return err
}

// FileName is what to call the file: without the person's name, since others
// see it.
func (e *Export) FileName() string {
	name := "lintel-export-" + e.now.In(e.zone).Format(time.DateOnly) + ".zip"
	if len(e.recipients) > 0 {
		name += ".age"
	}
	return name
}

// MediaType is the file's.
func (e *Export) MediaType() string {
	if len(e.recipients) > 0 {
		return "application/octet-stream" // age has none
	}
	return "application/zip"
}

// Write writes the export. After an error, house.ErrNotFound if the person was
// erased meanwhile, what was written is no whole zip and must be thrown away.
func (e *Export) Write(ctx context.Context, w io.Writer) (Summary, error) {
	sum, err := e.write(ctx, w)
	if err != nil {
		return sum, fmt.Errorf("exporting what is held of a person, after %d visits: %w", sum.Visits, err)
	}
	return sum, nil
}

func (e *Export) write(ctx context.Context, w io.Writer) (sum Summary, err error) {
	p := newPack(w, e.now.In(e.zone))
	if len(e.recipients) > 0 {
		sealed, err := age.Encrypt(w, e.recipients...)
		if err != nil {
			return sum, fmt.Errorf("encrypting: %w", err)
		}
		p = newPack(sealed, e.now.In(e.zone))
		defer func() {
			if err == nil {
				err = sealed.Close()
			}
		}()
	}
	if err := e.writePortraits(ctx, p); err != nil {
		return sum, err
	}
	visits, err := e.writeVisits(ctx, p, &sum)
	if err != nil {
		return sum, err
	}
	trail, err := e.readTrail(ctx)
	if err != nil {
		return sum, err
	}
	// Visits of somebody who is being erased go one by one: half of them would
	// look like all.
	if _, err := e.archive.Person(ctx, e.person.ID); err != nil {
		return sum, err
	}
	err = errors.Join(
		p.add("data.json", deflated, func(w io.Writer) error { return e.writeJSON(w, sum, visits.json, trail.json) }),
		p.add("index.html", deflated, func(w io.Writer) error { return e.writePage(w, sum, visits.page, trail.page) }),
	)
	if err != nil {
		return sum, err
	}
	return sum, p.close()
}

// texts are what the JSON and the page say of a list of things.
type texts struct{ json, page *spool }

func newTexts() texts { return texts{newSpool(), newSpool()} }

// add adds one thing to both.
func (t texts) add(e *Export, template string, record any) error {
	return errors.Join(t.json.addJSON(record), e.page.ExecuteTemplate(t.page, template, record))
}

// writePortraits gives the pictures of the references out. One that went meanwhile
// is as if it had never been.
func (e *Export) writePortraits(ctx context.Context, p *pack) error {
	e.portraits = make(map[string]string)
	for i, r := range e.references {
		if r.Portrait == nil {
			continue
		}
		picture, err := e.archive.Portrait(ctx, e.person.ID, r.ID)
		if errors.Is(err, house.ErrNotFound) {
			continue
		}
		name := fmt.Sprintf("references/%d.jpg", i+1)
		if err == nil {
			err = p.add(name, stored, func(w io.Writer) error {
				_, err := w.Write(picture)
				return err
			})
		}
		if err != nil {
			return err
		}
		e.portraits[r.ID] = name
	}
	return nil
}

const (
	visitsRead  = 25
	entriesRead = 500
)

// writeVisits gives the stills of all visits out, newest first.
func (e *Export) writeVisits(ctx context.Context, p *pack, sum *Summary) (t texts, err error) {
	t = newTexts()
	for from, begun := (store.Cursor{}), false; !begun || from != (store.Cursor{}); begun = true {
		var page []house.Visit
		page, from, err = e.archive.VisitsOf(ctx, e.person.ID, from, visitsRead)
		if err != nil {
			return t, err
		}
		for _, v := range page {
			record, err := e.writeVisit(ctx, p, v, sum)
			if err != nil {
				return t, err
			}
			if err := t.add(e, "visit", record); err != nil {
				return t, err
			}
		}
	}
	return t, nil
}

func (e *Export) readTrail(ctx context.Context) (t texts, err error) {
	t = newTexts()
	for after := int64(0); ; {
		entries, err := e.archive.TrailOf(ctx, e.person.ID, after, entriesRead)
		if err != nil {
			return t, err
		}
		for _, entry := range entries {
			if err := t.add(e, "entry", entryOf(entry)); err != nil {
				return t, err
			}
			after = entry.Seq
		}
		if len(entries) < entriesRead {
			return t, nil
		}
	}
}
