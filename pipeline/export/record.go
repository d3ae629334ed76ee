package export

import (
	_ "embed"
	"encoding/json"
	"io"
	"strings"
	"time"

	"lintel/internal/house"
)

// A document is data.json. What its fields mean is in meanings.txt, which the
// document itself shows; after these come the arrays “visits” and “trail”.
type document struct {
	Format     string            `json:"format"`
	MadeAt     time.Time         `json:"made_at"`
	Zone       string            `json:"zone"`
	Person     personRecord      `json:"person"`
	Consents   []consentRecord   `json:"consents"`
	References []referenceRecord `json:"references"`
	Answers    []answerRecord    `json:"answers"`
	Phones     []phoneRecord     `json:"phones"`
	Tokens     []string          `json:"tokens"`
	Codes      bool              `json:"one_time_codes"`
	Rules      []ruleRecord      `json:"rules"`
	Factors    []factorRecord    `json:"factors"`
	Misses     []missRecord      `json:"failed_attempts"`
	Advice     []adviceRecord    `json:"advice"`
	Summary    Summary           `json:"summary"`
	Meanings   []meaning         `json:"meanings"`
}

type personRecord struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	AddedAt time.Time `json:"added_at"`
}

type consentRecord struct {
	GivenBy     string    `json:"given_by"`
	GivenAt     time.Time `json:"given_at"`
	Scope       string    `json:"scope"`
	RecordedAt  time.Time `json:"recorded_at"`
	WithdrawnAt time.Time `json:"withdrawn_at,omitzero"`
}

type referenceRecord struct {
	AddedAt    time.Time `json:"added_at"`
	FaceWidth  int       `json:"face_width_px"`
	Quality    float64   `json:"quality"`
	Origin     string    `json:"origin"`
	File       string    `json:"file"`
	Descriptor []float32 `json:"descriptor"`
}

type answerRecord struct {
	At         time.Time `json:"at"`
	Yours      bool      `json:"yours"`
	Visit      string    `json:"visit"`
	ReceivedAt time.Time `json:"received_at"`
	Frame      int       `json:"frame"`
}

type visitRecord struct {
	ID          string        `json:"id"`
	Bell        string        `json:"bell"`
	ReceivedAt  time.Time     `json:"received_at"`
	CountedFrom time.Time     `json:"counted_from"`
	Kind        house.Kind    `json:"kind"`
	Parcel      bool          `json:"parcel"`
	Stage       string        `json:"stage"`
	Fate        fateRecord    `json:"fate"`
	Hold        *holdRecord   `json:"hold"`
	Stills      []stillRecord `json:"stills"`

	Messages []messageRecord `json:"messages"`

	ClockDoubted bool `json:"clock_doubted"`
}

type messageRecord struct {
	Text    string    `json:"text"`
	Yours   bool      `json:"yours"`
	By      string    `json:"by"`
	SentAt  time.Time `json:"sent_at"`
	ShownAt time.Time `json:"shown_at,omitzero"`
}

type fateRecord struct {
	SmallerAt    time.Time    `json:"smaller_at,omitzero"`
	StillsGoneAt time.Time    `json:"stills_gone_at,omitzero"`
	GoesAt       time.Time    `json:"goes_at"`
	Rule         house.Kind   `json:"rule"`
	Period       house.Period `json:"period"`
}

type holdRecord struct {
	Reason   string    `json:"reason"`
	PlacedAt time.Time `json:"placed_at"`
	EndsAt   time.Time `json:"ends_at"`
}

type stillRecord struct {
	Frame      int              `json:"frame"`
	File       string           `json:"file"`
	Missing    missing          `json:"missing,omitempty"`
	Width      int              `json:"width_px"`
	Height     int              `json:"height_px"`
	Damaged    bool             `json:"damaged"`
	ReceivedAt time.Time        `json:"received_at"`
	TakenAt    time.Time        `json:"taken_at,omitzero"`
	State      house.StillState `json:"state"`
	OtherFaces int              `json:"other_faces"`
	Faces      []faceRecord     `json:"faces"`
}

type faceRecord struct {
	X             int             `json:"x_px"`
	Y             int             `json:"y_px"`
	Width         int             `json:"width_px"`
	Height        int             `json:"height_px"`
	Landmarks     []house.Point   `json:"landmarks_px"`
	Band          string          `json:"band"`
	Distance      float64         `json:"distance"`
	Probability   float64         `json:"probability"`
	Frames        int             `json:"frames"`
	FPIR          float64         `json:"fpir"`
	Descriptor    []float32       `json:"descriptor"`
	Quality       *qualityRecord  `json:"quality"`
	Liveness      *livenessRecord `json:"liveness"`
	PartlyBlurred bool            `json:"partly_blurred"`
}

// A qualityRecord has the fields of a house.Quality.
type qualityRecord struct {
	FaceWidth      int     `json:"face_width_px"`
	EyeDistance    float64 `json:"eye_distance_px"`
	PixelsPerMetre float64 `json:"pixels_per_metre"`
	Sharpness      float64 `json:"sharpness"`
	Luma           float64 `json:"luma"`
	Clipped        float64 `json:"clipped_share"`
	Contrast       float64 `json:"contrast"`
	Yaw            float64 `json:"yaw_deg"`
	Roll           float64 `json:"roll_deg"`
	Occlusion      float64 `json:"occlusion_hint"`
	Cut            float64 `json:"cut_share"`
}

// A livenessRecord has what a house.Liveness says, in words as well.
type livenessRecord struct {
	Level       house.LivenessLevel `json:"level"`
	Says        string              `json:"says"`
	Probability float64             `json:"probability"`
	Frames      int                 `json:"frames"`
	CantTell    []string            `json:"cant_tell"`
	Findings    []findingRecord     `json:"findings"`
}

type findingRecord struct {
	Sign    string       `json:"sign"`
	Name    string       `json:"name"`
	Score   float64      `json:"score"`
	Values  []float64    `json:"values"`
	Says    string       `json:"says"`
	Region  [][2]float64 `json:"region_px"`
	Missing string       `json:"missing"`
}

type entryRecord struct {
	Seq    int64     `json:"seq"`
	At     time.Time `json:"at"`
	Actor  string    `json:"actor"`
	Action string    `json:"action"`
	Visit  string    `json:"visit,omitempty"`
	Codes  bool      `json:"codes"`
}

// format names the form of data.json.
const format = "lintel access export 1"

// A meaning says what a field is.
type meaning struct {
	Field string `json:"field"`
	Says  string `json:"says"`
}

// meaningsText explains the fields in the document's order, one a line.
//
//go:embed meanings.txt
var meaningsText string

// meanings is meaningsText, read.
func meanings() (list []meaning) {
	for line := range strings.Lines(meaningsText) {
		field, says, _ := strings.Cut(strings.TrimSpace(line), ": ")
		list = append(list, meaning{field, says})
	}
	return list
}

// writeJSON writes data.json.
func (e *Export) writeJSON(w io.Writer, sum Summary, visits, trail *spool) error {
	head, err := json.MarshalIndent(e.document(sum), "", "  ")
	if err != nil {
		return err
	}
	out := joined{w: w}
	out.text(strings.TrimSuffix(string(head), "\n}") + ",\n  \"visits\": [")
	out.spool(visits)
	out.text("\n  ],\n  \"trail\": [")
	out.spool(trail)
	out.text("\n  ]\n}\n")
	return out.err
}

// joined writes one thing after the other until one fails.
type joined struct {
	w   io.Writer
	err error
}

func (j *joined) text(s string) {
	if j.err == nil {
		_, j.err = io.WriteString(j.w, s)
	}
}

func (j *joined) spool(s *spool) {
	if j.err == nil {
		j.err = s.copyTo(j.w)
	}
}

func (e *Export) document(sum Summary) document {
	d := document{
		Format: format, MadeAt: e.now.UTC(), Zone: e.zoneName(),
		Person:   personRecord{e.person.ID, e.person.Name, e.person.AddedAt},
		Consents: []consentRecord{}, References: []referenceRecord{}, Answers: e.answers,
		Phones: e.second.phones, Tokens: e.second.tokens, Codes: e.second.codes, Rules: e.second.rules,
		Factors: e.second.factors, Misses: e.second.misses, Advice: e.second.advice,
		Summary: sum, Meanings: meanings(),
	}
	for _, c := range e.consents {
		d.Consents = append(d.Consents, consentRecord{c.GivenBy, c.GivenAt, e.others.without(c.Scope), c.RecordedAt,
			c.WithdrawnAt})
	}
	for _, r := range e.references {
		record := referenceRecord{AddedAt: r.AddedAt, FaceWidth: r.FaceWidth, Quality: r.Quality,
			File: e.portraits[r.ID], Descriptor: r.Descriptor[:]}
		if r.Portrait != nil {
			record.Origin = string(r.Portrait.Origin)
		}
		d.References = append(d.References, record)
	}
	return d
}

func (e *Export) zoneName() string {
	if e.zone == time.Local {
		name, _ := e.now.In(e.zone).Zone()
		return name
	}
	return e.zone.String()
}

// stages are the API's words for what is left of a visit.
var stages = map[house.Stage]string{house.Whole: "whole", house.Smaller: "smaller", house.OnlyFindings: "findings"}

// bell is what a bell is called, without the names of others.
func (e *Export) bell(address string) string {
	if name := e.bells[address]; name != "" {
		return e.others.without(name)
	}
	return address
}

// visitOf records a visit, without its stills.
func (e *Export) visitOf(v house.Visit) visitRecord {
	if v.Hold != nil && !v.Hold.EndsAt.After(e.now) {
		v.Hold = nil // its row stays until the visit is swept
	}
	fate := e.rules.Schedule(v)
	r := visitRecord{
		ID: v.ID, Bell: e.bell(v.Bell), ReceivedAt: v.ReceivedAt, CountedFrom: v.CountedFrom, Kind: v.Kind, Parcel: v.Parcel,
		Stage:  stages[v.Stage],
		Fate:   fateRecord{fate.SmallerAt.UTC(), fate.StillsAt.UTC(), fate.GoesAt.UTC(), fate.Rule, fate.Period},
		Stills: []stillRecord{}, Messages: []messageRecord{}, ClockDoubted: v.ClockDoubted,
	}
	for _, m := range v.Messages {
		by, _, _ := strings.Cut(m.By, " ")
		text := m.Text
		if m.Person != e.person.ID {
			text = e.others.without(text)
		}
		r.Messages = append(r.Messages, messageRecord{text, m.Person == e.person.ID, by, m.SentAt, m.ShownAt})
	}
	if v.Hold != nil {
		r.Hold = &holdRecord{e.others.without(v.Hold.Reason), v.Hold.PlacedAt, v.Hold.EndsAt}
	}
	return r
}

// entryOf records an entry of the trail without who in particular it was.
func entryOf(e house.Entry) entryRecord {
	kind, _, _ := strings.Cut(e.Actor, " ")
	return entryRecord{e.Seq, e.At, kind, e.Action, e.Of("visit"), e.Of("codes") != ""}
}
