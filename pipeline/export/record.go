package export

import (
	"encoding/json"
	"io"
	"reflect"
	"strings"
	"time"

	"lintel/internal/house"
)

// A document is data.json. What its fields mean is in their tags, which the
// document itself shows; after these come the arrays “visits” and “trail”.
type document struct {
	Format     string            `json:"format" says:"what this is; another number at its end means other fields"`
	MadeAt     time.Time         `json:"made_at" says:"when; all times are as in RFC 3339"`
	Zone       string            `json:"zone" says:"the household's time zone: its name in the tz database or, where the household gave none, what the server calls it"`
	Person     personRecord      `json:"person"`
	Consents   []consentRecord   `json:"consents"`
	References []referenceRecord `json:"references"`
	Answers    []answerRecord    `json:"answers" says:"what residents answered when asked whether a face is yours"`
	Phones     []phoneRecord     `json:"phones"`
	Tokens     []string          `json:"tokens" says:"labels of what you carry, as readers tell them"`
	Codes      bool              `json:"one_time_codes" says:"whether you have one-time codes; the secret they are made from is not in here"`
	Rules      []ruleRecord      `json:"rules" says:"the household's rules for letting you in"`
	Factors    []factorRecord    `json:"factors" says:"what besides your face told of you, of the last 31 days"`
	Misses     []missRecord      `json:"failed_attempts" says:"what failed in your name, of the last 31 days"`
	Advice     []adviceRecord    `json:"advice" says:"what was suggested, or not, when you were seen at a door, of the last 31 days"`
	Summary    Summary           `json:"summary"`
	Meanings   []meaning         `json:"meanings" says:"what each field means"`
}

type personRecord struct {
	ID      string    `json:"id" says:"how the archive tells you from others"`
	Name    string    `json:"name" says:"the name that tablets show"`
	AddedAt time.Time `json:"added_at" says:"when the household added you"`
}

type consentRecord struct {
	GivenBy     string    `json:"given_by" says:"who agreed: you, or who may agree for you"`
	GivenAt     time.Time `json:"given_at" says:"when"`
	Scope       string    `json:"scope" says:"to what"`
	RecordedAt  time.Time `json:"recorded_at" says:"when the household wrote it down"`
	WithdrawnAt time.Time `json:"withdrawn_at,omitzero" says:"when it was withdrawn; missing while it is in force"`
}

type referenceRecord struct {
	AddedAt    time.Time `json:"added_at" says:"when it was enrolled"`
	FaceWidth  int       `json:"face_width_px" says:"width of your face on the picture it was computed from, in pixels; the picture itself is not kept"`
	Quality    float64   `json:"quality" says:"how well that picture can be judged, 0 to 1; 0 if it was not measured"`
	Descriptor []float32 `json:"descriptor" says:"128 numbers that describe your face, without a unit: biometric data"`
}

type answerRecord struct {
	At         time.Time `json:"at" says:"when a resident answered"`
	Yours      bool      `json:"yours" says:"whether the answer is that the face is yours"`
	Visit      string    `json:"visit" says:"the visit that the face was seen on"`
	ReceivedAt time.Time `json:"received_at" says:"when that visit was"`
	Frame      int       `json:"frame" says:"on which of its stills; the first is 0"`
}

type visitRecord struct {
	ID          string        `json:"id" says:"the visit's; name it to have this visit erased"`
	Bell        string        `json:"bell" says:"which bell was rung"`
	ReceivedAt  time.Time     `json:"received_at" says:"when the first still came, by the server's clock"`
	CountedFrom time.Time     `json:"counted_from" says:"from when on the time of keeping is counted"`
	Kind        house.Kind    `json:"kind" says:"what the household's rules go by: person, parcel, looking while a still waits to be examined, or another where a face is yours by an answer alone"`
	Parcel      bool          `json:"parcel" says:"whether the household noted that a parcel came"`
	Stage       string        `json:"stage" says:"what is left: whole, smaller (smaller stills) or findings (no stills)"`
	Fate        fateRecord    `json:"fate"`
	Hold        *holdRecord   `json:"hold" says:"null if the rules alone say when it goes"`
	Stills      []stillRecord `json:"stills"`
}

type fateRecord struct {
	SmallerAt    time.Time    `json:"smaller_at,omitzero" says:"when smaller stills take the stills' place, if ever"`
	StillsGoneAt time.Time    `json:"stills_gone_at,omitzero" says:"when the stills go and the findings stay, if they do"`
	GoesAt       time.Time    `json:"goes_at" says:"when all of it goes, within the hour"`
	Rule         house.Kind   `json:"rule" says:"the kind of visit whose rule says so"`
	Period       house.Period `json:"period" says:"how long by that rule: hours (72h) or days of the calendar (30d)"`
}

type holdRecord struct {
	Reason   string    `json:"reason" says:"why it is kept longer, in the household's words; others' names are taken out"`
	PlacedAt time.Time `json:"placed_at" says:"since when"`
	EndsAt   time.Time `json:"ends_at" says:"until when"`
}

type stillRecord struct {
	Frame      int              `json:"frame" says:"the first still of a ring is 0"`
	File       string           `json:"file" says:"where it is in this export; empty if it is not"`
	Missing    missing          `json:"missing,omitempty" says:"why it is not: removed (by a rule), lost (it went missing or broke), broken (its file is not as it was written), no-picture (it can't be decoded), unreadable (the disk gives no answer), not-examined or not-examinable (faces of others could not be looked for), changing (it was worked on all the while)"`
	Width      int              `json:"width_px" says:"pixels"`
	Height     int              `json:"height_px" says:"pixels"`
	Damaged    bool             `json:"damaged" says:"whether a part of it was lost on its way from the bell"`
	ReceivedAt time.Time        `json:"received_at" says:"when it came, by the server's clock"`
	TakenAt    time.Time        `json:"taken_at,omitzero" says:"when it was taken, by the bell's clock, if it said"`
	State      house.StillState `json:"state" says:"whether faces were looked for: done, pending or failed"`
	OtherFaces int              `json:"other_faces" says:"how many faces on it are not yours, by a finding or an answer; blurred in the file"`
	Faces      []faceRecord     `json:"faces" says:"those that were taken for yours, or are by an answer"`
}

type faceRecord struct {
	X             int             `json:"x_px" says:"left edge of the face, in pixels from the still's left edge"`
	Y             int             `json:"y_px" says:"upper edge of the face, in pixels from the still's upper edge"`
	Width         int             `json:"width_px" says:"pixels"`
	Height        int             `json:"height_px" says:"pixels"`
	Landmarks     []house.Point   `json:"landmarks_px" says:"two corners of each eye and the base of the nose, in pixels"`
	Band          string          `json:"band" says:"how sure the match is: strong, fair or weak (fpir of at most 1e-4, 1e-3, 1e-2); empty, and the numbers of the match 0, where the face is yours by an answer alone"`
	Distance      float64         `json:"distance" says:"Euclidean distance from your references, all together, without a unit; smaller is more alike"`
	Probability   float64         `json:"probability" says:"that it is you, 0 to 1, by how often somebody enrolled rings; 0 if it was not worked out"`
	Frames        int             `json:"frames" says:"how many stills of the ring it was judged by, 0 if that is not known"`
	FPIR          float64         `json:"fpir" says:"false positive identification rate: the part of strangers who would look this much like somebody enrolled, 0 to 1"`
	Descriptor    []float32       `json:"descriptor" says:"128 numbers that describe this face; null once the still is gone"`
	Quality       *qualityRecord  `json:"quality" says:"how well this face can be judged, on the still as it was examined; null if it was not measured, and once the still is gone"`
	Liveness      *livenessRecord `json:"liveness" says:"whether there are signs that this face is a picture's, held before the bell; null if that was not judged"`
	PartlyBlurred bool            `json:"partly_blurred" says:"whether the blur of a face beside yours covers a part of it"`
}

// A qualityRecord has the fields of a house.Quality.
type qualityRecord struct {
	FaceWidth      int     `json:"face_width_px" says:"width of the face, in pixels"`
	EyeDistance    float64 `json:"eye_distance_px" says:"between the centres of the eyes, in pixels; 0 if they could not be made out, and then nothing below was measured"`
	PixelsPerMetre float64 `json:"pixels_per_metre" says:"how many pixels make a metre at the face, if your eyes are 63 mm apart"`
	Sharpness      float64 `json:"sharpness" says:"how much fine detail there is, without a unit: variance of the Laplacian over that of the brightness"`
	Luma           float64 `json:"luma" says:"mean brightness of the face, 0 (black) to 255 (white)"`
	Clipped        float64 `json:"clipped_share" says:"how much of the face is nearly black or white, 0 to 1"`
	Contrast       float64 `json:"contrast" says:"standard deviation of the brightness over 255, 0 to 0.5"`
	Yaw            float64 `json:"yaw_deg" says:"how far the face is turned aside, in degrees, to the right of the picture where above 0"`
	Roll           float64 `json:"roll_deg" says:"how far it is tilted, in degrees, clockwise where above 0"`
	Occlusion      float64 `json:"occlusion_hint" says:"a weak hint that a part of it is covered, 0 to 1"`
	Cut            float64 `json:"cut_share" says:"how much of it lies beyond the still's border, 0 to 1"`
}

// A livenessRecord has what a house.Liveness says, in words as well.
type livenessRecord struct {
	Level       house.LivenessLevel `json:"level" says:"no-sign (no sign was noticed, which says nothing: most pictures show none), doubtful (it may be a picture) or picture (it looks like one)"`
	Says        string              `json:"says" says:"a warning in words, and what could not be told; empty where there is nothing to warn of"`
	Probability float64             `json:"probability" says:"that it is a picture, from all findings, 0 to 1"`
	Frames      int                 `json:"frames" says:"how many stills of the ring were judged together"`
	CantTell    []string            `json:"cant_tell" says:"why some of it could not be told, by the codes that “missing” has as well"`
	Findings    []findingRecord     `json:"findings" says:"what was looked for; empty once the still is gone"`
}

type findingRecord struct {
	Sign    string       `json:"sign" says:"code of what was looked for"`
	Name    string       `json:"name" says:"what that is called on the household's screens; empty if this version of Lintel does not know it"`
	Score   float64      `json:"score" says:"how plain the sign is, 0 (none) to 1"`
	Values  []float64    `json:"values" says:"what was measured; which numbers, and in what unit, depends on the sign"`
	Says    string       `json:"says" says:"what was found, or why it could not be looked for"`
	Region  [][2]float64 `json:"region_px" says:"where, as corners of a polygon: each so many pixels from the left and from the upper edge of the still"`
	Missing string       `json:"missing" says:"why it could not be looked for: tiny (the face is too small), dark, no-eyes (they could not be made out), border (the still's edge cuts it off), no-lens (how the bell looks is not known), one-frame (there is one still), sizes (the stills differ in size), still (nothing moved) or plain (nothing to compare with); empty if it could"`
}

type entryRecord struct {
	Seq    int64     `json:"seq" says:"the entry's number"`
	At     time.Time `json:"at" says:"when"`
	Actor  string    `json:"actor" says:"who: resident, tablet, command (somebody at the server) or itself (Lintel, by the rules)"`
	Action string    `json:"action" says:"what was done"`
	Visit  string    `json:"visit,omitempty" says:"to which visit; missing where it is about you"`
	Codes  bool      `json:"codes" says:"whether it is about your one-time codes"`
}

// format names the form of data.json.
const format = "lintel access export 1"

// A meaning says what a field is.
type meaning struct {
	Field string `json:"field" says:"where it is; [] stands for each of a list"`
	Says  string `json:"says" says:"what it is"`
}

// meanings lists the fields of the document by their tags.
var meanings = append(append(meaningsOf("", reflect.TypeFor[document]()),
	meaningsOf("visits[].", reflect.TypeFor[visitRecord]())...),
	meaningsOf("trail[].", reflect.TypeFor[entryRecord]())...)

func meaningsOf(at string, t reflect.Type) (list []meaning) {
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if says := f.Tag.Get("says"); says != "" {
			list = append(list, meaning{at + name, says})
		}
		inner, suffix := f.Type, "."
		if inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			if inner.Kind() == reflect.Slice {
				suffix = "[]."
			}
			inner = inner.Elem()
		}
		if inner.Kind() == reflect.Struct && inner.PkgPath() == t.PkgPath() {
			list = append(list, meaningsOf(at+name+suffix, inner)...)
		}
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
		Summary: sum, Meanings: meanings,
	}
	for _, c := range e.consents {
		d.Consents = append(d.Consents, consentRecord{c.GivenBy, c.GivenAt, e.others.without(c.Scope), c.RecordedAt,
			c.WithdrawnAt})
	}
	for _, r := range e.references {
		d.References = append(d.References, referenceRecord{r.AddedAt, r.FaceWidth, r.Quality, r.Descriptor[:]})
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

// visitOf records a visit, without its stills.
func (e *Export) visitOf(v house.Visit) visitRecord {
	if v.Hold != nil && !v.Hold.EndsAt.After(e.now) {
		v.Hold = nil // its row stays until the visit is swept
	}
	fate := e.rules.Schedule(v)
	r := visitRecord{
		ID: v.ID, Bell: v.Bell, ReceivedAt: v.ReceivedAt, CountedFrom: v.CountedFrom, Kind: v.Kind, Parcel: v.Parcel,
		Stage:  stages[v.Stage],
		Fate:   fateRecord{fate.SmallerAt.UTC(), fate.StillsAt.UTC(), fate.GoesAt.UTC(), fate.Rule, fate.Period},
		Stills: []stillRecord{},
	}
	if v.Hold != nil {
		r.Hold = &holdRecord{e.others.without(v.Hold.Reason), v.Hold.PlacedAt, v.Hold.EndsAt}
	}
	return r
}

// entryOf records an entry of the trail without who in particular it was.
func entryOf(e house.Entry) entryRecord {
	kind, _, _ := strings.Cut(e.Actor, " ")
	visit, _ := strings.CutPrefix(e.Subject, "visit ")
	if visit == e.Subject {
		visit = ""
	}
	return entryRecord{e.Seq, e.At, kind, e.Action, visit, strings.HasPrefix(e.Subject, "one-time codes ")}
}
