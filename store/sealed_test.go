package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// A secretive archive is one that has something in it of all that a thief of its
// folder would like to have.
type secretive struct {
	a        *Archive
	still    house.NewStill
	visit    string
	person   house.Person
	face     house.Face
	receiver house.Receiver
}

func newSecretive(t *testing.T) *secretive {
	t.Helper()
	s := new(secretive)
	s.a, _ = newArchive(t)
	for _, fill := range []func(*testing.T) error{s.addPerson, s.addVisit, s.addHousehold, s.addAdvice} {
		must(t, fill(t))
	}
	return s
}

func (s *secretive) addPerson(t *testing.T) (err error) {
	ctx := t.Context()
	if s.person, err = s.a.AddPerson(ctx, "Tamsin Quill"); err != nil {
		return err
	}
	s.still = stillOf("ring-of-thursday", 0)
	s.still.Bell = "cellar-door"
	s.still.JPEG = append([]byte("\xff\xd8\xff\xe0\x00\x10JFIF\x00"),
		bytes.Repeat([]byte("every pixel of a visitor "), 4000)...)
	s.face = faceOf(0.25, &house.Match{Person: s.person.ID, Distance: 0.3, FPIR: 1e-5, Band: "strong"})
	s.face.Liveness = &house.Liveness{Level: house.Doubtful, Findings: []house.Finding{{Sign: "thumb-of-coal", Score: 1}}}
	return errors.Join(
		s.a.RecordConsent(ctx, s.person.ID, house.Consent{GivenBy: "Aunt Perpetua", GivenAt: s.a.now(),
			Scope: "when I bring coal"}),
		s.a.AddReference(ctx, house.Reference{Person: s.person.ID, Descriptor: s.face.Descriptor, FaceWidth: 120,
			SourceSHA256: s.still.SentSHA256}))
}

func (s *secretive) addVisit(t *testing.T) error {
	ctx := t.Context()
	_, err := s.a.AddBell(ctx, "cellar-door")
	if err == nil {
		_, err = s.a.StartTrial(ctx, "cellar-door", "R")
	}
	if err == nil {
		s.visit, _, err = s.a.Keep(ctx, s.still)
	}
	if err == nil {
		err = s.a.SetDisplay(ctx, "cellar-door", house.UsualDisplay)
	}
	if err == nil {
		_, err = s.a.AddMessage(ctx, house.Message{Bell: "cellar-door", Visit: s.visit, Text: "Quinces are ripe",
			Until: s.a.now().Add(time.Minute)})
	}
	if err != nil {
		return err
	}
	v, err := s.a.Visit(ctx, s.visit)
	if err != nil {
		return err
	}
	return errors.Join(s.a.Record(ctx, v.Stills[0].ID, house.Done, []house.Face{s.face}),
		s.a.PlaceHold(ctx, s.visit, "somebody took the coal", s.a.now().Add(time.Hour)),
		s.a.SetMasks(ctx, "cellar-door", []house.Polygon{{{X: 0.125, Y: 0}, {X: 1, Y: 0.0625}, {X: 0.03125, Y: 1}}}))
}

func (s *secretive) addHousehold(t *testing.T) error {
	ctx := t.Context()
	resident, err := s.a.AddResident(ctx, "Morgan Vale", "$argon2id$not a real one")
	if err == nil {
		_, err = s.a.PairTablet(ctx, "Pantry tablet", resident.ID)
	}
	rules := house.DefaultRules()
	rules.Zone = "Asia/Kathmandu"
	return errors.Join(err, s.a.SetRules(ctx, rules))
}

func (s *secretive) addAdvice(t *testing.T) error {
	ctx := t.Context()
	door := advised(t, s.a, s.person.ID, 1)
	out := house.Reason{Code: "parcel", Values: house.Values{Note: "The marmalade is out."}}
	_, err := s.a.AddAdvice(ctx, house.Advice{Visit: s.visit, Door: door, Person: s.person.ID, State: house.Withheld,
		At: s.a.now(), Conditions: []house.Condition{{Code: "on", Reasons: []house.Reason{out}}}})
	if err == nil {
		s.receiver, _, err = s.a.AddReceiver(ctx, door, "Garage winch")
	}
	return err
}

// TestFolderTellsNothing searches all files of an archive, and their names, for
// what a thief of the folder would like to have: pictures, names, faces.
//
// Outside: a JPEG begins with the marker SOI, and one of JFIF with APP0 then: ITU-T T.81,
// table B.1.
func TestFolderTellsNothing(t *testing.T) {
	s := newSecretive(t)
	raw := rawBytes(t, s.a)
	if !bytes.Contains(raw, []byte(s.visit)) {
		t.Fatal("the raw bytes lack what must be in them")
	}
	for _, file := range filesIn(t, s.a.dir, ".") {
		raw = append(raw, file...)
	}
	descriptor := binary.LittleEndian.AppendUint32(nil, math.Float32bits(s.face.Descriptor[0]))
	descriptor = binary.LittleEndian.AppendUint32(descriptor, math.Float32bits(s.face.Descriptor[1]))
	for what, secret := range map[string][]byte{
		"a JPEG's first markers":     []byte("\xff\xd8\xff\xe0"),
		"JFIF":                       []byte("JFIF"),
		"the picture":                []byte("pixel of a visitor"),
		"a bell's name":              []byte("cellar"),
		"a ring's id":                []byte("thursday"),
		"a person's name":            []byte("Quill"),
		"who agreed":                 []byte("Perpetua"),
		"to what":                    []byte("bring coal"),
		"a resident's name":          []byte("Vale"),
		"a resident's name, lowered": []byte("vale"),
		"a tablet's name":            []byte("Pantry"),
		"why a visit is held":        []byte("the coal"),
		"where the household is":     []byte("Kathmandu"),
		"a mask":                     []byte("0.03125"),
		"a door's name":              []byte("Larder"),
		"a rule of a door":           []byte("strong\","),
		"a phone's name":             []byte("telephone"),
		"where a phone was":          []byte("orchard"),
		"a token":                    []byte("brass"),
		"a secret of codes":          []byte("SECRETOFCODES"),
		"a reason of advice":         []byte("marmalade"),
		"a receiver's name":          []byte("winch"),
		"a message":                  []byte("uinces"),
		"a receiver's key":           s.receiver.Key,
		"a descriptor":               descriptor,
		"what a trial noticed":       []byte("thumb-of-coal"),
		"a hash of what was sent":    s.still.SentSHA256[:],
		"the master key":             testKey[:],
	} {
		if bytes.Contains(raw, secret) {
			t.Errorf("the folder tells %s", what)
		}
	}

	got, err := s.a.Visit(t.Context(), s.visit)
	if err != nil || got.Bell != "cellar-door" || got.Ring != "ring-of-thursday" ||
		got.Stills[0].Faces[0].Match.Name != "Tamsin Quill" {
		t.Errorf("with the key: %+v, %v", got, err)
	}
}

func TestWrongKeyChangesNothing(t *testing.T) {
	a, c := newArchive(t)
	visit := keep(t, a, stillOf("r1", 0))
	must(t, a.Close())
	before, err := os.ReadFile(filepath.Join(a.dir, "archive.db"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Open(t.Context(), a.dir, seal.NewKey(), time.Now)
	wantError(t, err, ErrWrongKey)
	if after, err := os.ReadFile(filepath.Join(a.dir, "archive.db")); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the database changed, %v", err)
	}
	b := openArchive(t, a.dir, c)
	if _, err := b.ReadStill(t.Context(), visit, 0); err != nil {
		t.Errorf("with the right key afterwards: %v", err)
	}
}

// A file put in another's place does not open, nor does a row moved to another
// frame.
func TestStillsAreBoundToTheirPlace(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	keep(t, a, stillOf("r1", 0))
	visit := keep(t, a, stillOf("r2", 0))
	files := filesIn(t, a.dir, "stills")
	first, second := filepath.Join(a.dir, files[0]), filepath.Join(a.dir, files[1])
	swap := func() {
		t.Helper()
		for _, step := range [][2]string{{first, first + "~"}, {second, first}, {first + "~", second}} {
			must(t, os.Rename(step[0], step[1]))
		}
	}
	swap()
	_, err := a.ReadStill(ctx, visit, 0)
	wantError(t, err, seal.ErrOpen)
	swap()
	if _, err := a.ReadStill(ctx, visit, 0); err != nil {
		t.Error(err)
	}
	if _, err := a.write.ExecContext(ctx, `UPDATE stills SET frame = 1 WHERE visit = ?`, visit); err != nil {
		t.Fatal(err)
	}
	_, err = a.ReadStill(ctx, visit, 1)
	wantError(t, err, seal.ErrOpen)
}
