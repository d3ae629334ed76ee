package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/internal/keyfile"
)

// enrolled adds a person with a consent and that many references, and returns
// the person and the bytes of every reference's descriptor.
func enrolled(t *testing.T, a *Archive, rnd *rand.Rand, name string, references int) (house.Person, [][]byte) {
	t.Helper()
	p, err := a.AddPerson(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.RecordConsent(t.Context(), p.ID,
		house.Consent{GivenBy: name, GivenAt: a.now(), Scope: "opening to " + name}); err != nil {
		t.Fatal(err)
	}
	var descriptors [][]byte
	for i := range references {
		r := house.Reference{Person: p.ID, FaceWidth: 120, SourceSHA256: sha256.Sum256(fmt.Append(nil, name, i)),
			Portrait: &house.Portrait{Origin: house.FromVisit, JPEG: []byte("a face")}}
		for j := range r.Descriptor {
			r.Descriptor[j] = rnd.Float32() - 0.5
		}
		must(t, a.AddReference(t.Context(), r))
		descriptors = append(descriptors, encodeDescriptor(r.Descriptor))
	}
	return p, descriptors
}

func TestConsentComesFirst(t *testing.T) {
	a, c := newArchive(t)
	ctx := t.Context()
	p, err := a.AddPerson(ctx, "  Tamsin Quill ")
	if err != nil || p.Name != "Tamsin Quill" {
		t.Fatalf("%q, %v", p.Name, err)
	}
	reference := house.Reference{Person: p.ID, Descriptor: faceOf(0.1, nil).Descriptor, FaceWidth: 90,
		SourceSHA256: sha256.Sum256([]byte("one"))}
	wantError(t, a.AddReference(ctx, reference), house.ErrNoConsent)
	whole := house.Consent{GivenBy: "Tamsin Quill", GivenAt: c.Now(), Scope: "being recognised at the door"}
	for name, spoil := range map[string]func(*house.Consent){
		"nobody":     func(c *house.Consent) { c.GivenBy = " \t" },
		"never":      func(c *house.Consent) { c.GivenAt = time.Time{} },
		"to nothing": func(c *house.Consent) { c.Scope = "" },
		"to come":    func(c *house.Consent) { c.GivenAt = c.GivenAt.Add(time.Second) },
	} {
		t.Run(name, func(t *testing.T) {
			spoilt := whole
			spoil(&spoilt)
			wantError(t, a.RecordConsent(ctx, p.ID, spoilt), house.ErrNoConsent)
			wantError(t, a.AddReference(ctx, reference), house.ErrNoConsent)
		})
	}
	if p, err := a.Person(ctx, p.ID); err != nil || p.Consent != nil || p.References != 0 {
		t.Errorf("before consent: %+v, %v", p, err)
	}
	if err := a.RecordConsent(ctx, newID(), whole); err == nil {
		t.Error("nobody's consent was recorded")
	}
	for _, at := range []time.Duration{0, time.Hour} { // the later one is in force
		earlier := whole
		earlier.GivenAt = whole.GivenAt.Add(-at)
		must(t, a.RecordConsent(ctx, p.ID, earlier))
	}
	must(t, a.AddReference(ctx, reference))
	wantError(t, a.AddReference(ctx, reference), house.ErrExists)
	if p, err := a.Person(ctx, p.ID); err != nil || p.Consent == nil || *p.Consent != whole || p.References != 1 {
		t.Errorf("after consent: %+v, %v", p, err)
	}
	reference.SourceSHA256 = [32]byte{} // kept as a keyed hash only
	if gallery, err := a.Gallery(ctx); err != nil || !reflect.DeepEqual(gallery, []house.Reference{reference}) {
		t.Errorf("gallery %+v, %v", gallery, err)
	}
	if _, err := a.WithdrawConsent(ctx, p.ID); err != nil {
		t.Fatal(err)
	}
	if gallery, err := a.Gallery(ctx); err != nil || len(gallery) != 0 {
		t.Errorf("gallery after a withdrawal: %+v, %v", gallery, err)
	}
	reference.SourceSHA256[0]++
	wantError(t, a.AddReference(ctx, reference), house.ErrNoConsent)
}

func TestPerson(t *testing.T) {
	a, _ := newArchive(t)
	add := func(name string) string {
		t.Helper()
		p, err := a.AddPerson(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		return p.ID
	}
	named, quill, odo1, odo2 := add("to be renamed"), add("Tamsin Quill"), add("Odo"), add("to be named odo")
	// A name that is another's id, and one twice, as earlier versions let it be.
	for id, name := range map[string]string{named: quill, odo2: "odo"} {
		var sealed []byte
		must(t, a.read.QueryRowContext(t.Context(), `SELECT name FROM persons WHERE id = ?`, id).Scan(&sealed))
		sealed, err := a.sealAgain(sealed, []byte(name), "persons.name", id)
		must(t, err)
		must(t, second(a.write.ExecContext(t.Context(), `UPDATE persons SET name = ? WHERE id = ?`, sealed, id)))
	}
	for asked, test := range map[string]struct {
		id   string
		want error
	}{
		quill:          {quill, nil},
		"tamsin quill": {quill, nil},
		odo1:           {odo1, nil},
		odo2:           {odo2, nil},
		named:          {named, nil},
		"Odo":          {"", house.ErrAmbiguous},
		"Tamsin":       {"", house.ErrNotFound},
		"%":            {"", house.ErrNotFound},
		"":             {"", house.ErrNotFound},
	} {
		p, err := a.Person(t.Context(), asked)
		if p.ID != test.id {
			t.Errorf("%q is %q, want %q", asked, p.ID, test.id)
		}
		wantError(t, err, test.want)
	}
	for _, name := range []string{"", " \n", strings.Repeat("x", 201)} {
		if _, err := a.AddPerson(t.Context(), name); err == nil {
			t.Errorf("added %q", name)
		}
	}
	if ps, err := a.Persons(t.Context()); err != nil || len(ps) != 4 {
		t.Errorf("persons %v, %v", ps, err)
	}
}

// A someone is a person with what is sealed of them, and a visit that names them.
type someone struct {
	house.Person
	sealed [][]byte // name and references
	visit  string
}

// enrolSome enrols persons who each rang once, and returns their descriptors too.
func enrolSome(t *testing.T, a *Archive, c *clock, rnd *rand.Rand, n int) (all []someone, descriptors [][]byte) {
	t.Helper()
	for i := range n {
		p, plain := enrolled(t, a, rnd, fmt.Sprintf("Perpetua Inkwell %03d.", i), 3)
		visit := keep(t, a, stillOf(fmt.Sprintf("r%d", i), 0))
		record(t, a, visit, faceOf(rnd.Float32(), &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}))
		all = append(all, someone{p, sealedOf(t, a, p.ID), visit})
		descriptors = append(descriptors, plain...)
		c.Advance(time.Minute)
	}
	return all, descriptors
}

// What was sealed of an erased person opens no more, wherever a copy of it is: SQLite
// leaves some as it moves rows between pages. Who stays is there. That the keys are not
// in the raw bytes, [TestNothingIsLeft] says.
func TestErasePersonLeavesNothing(t *testing.T) {
	a, c := newArchive(t)
	rnd := rand.New(rand.NewPCG(2031, 5)) // any seed will do
	all, descriptors := enrolSome(t, a, c, rnd, 60)
	before := rawBytes(t, a)
	for _, s := range all {
		for _, sealed := range s.sealed {
			if !bytes.Contains(before, sealed) {
				t.Fatal("the raw bytes lack what must be in them")
			}
		}
		if bytes.Contains(before, []byte(s.Name)) {
			t.Errorf("the name %s is in the raw bytes", s.Name)
		}
	}
	for _, d := range descriptors {
		if bytes.Contains(before, d) {
			t.Error("a descriptor is in the raw bytes")
		}
	}
	rnd.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	erased, left := all[:40], all[40:]
	for _, s := range erased {
		s.eraseAndCheck(t, a)
	}
	after := rawBytes(t, a)
	for _, s := range left {
		for _, sealed := range s.sealed {
			if !bytes.Contains(after, sealed) {
				t.Errorf("something of %s was lost", s.Name)
			}
		}
	}
	if gallery, err := a.Gallery(t.Context()); err != nil || len(gallery) != 3*len(left) {
		t.Errorf("%d references, want %d; %v", len(gallery), 3*len(left), err)
	}
}

// eraseAndCheck erases a person, and wants their visit to show a stranger and
// nothing of them to open.
func (s someone) eraseAndCheck(t *testing.T, a *Archive) {
	t.Helper()
	ctx := t.Context()
	seen, err := a.Revision(ctx)
	must(t, err)
	if e, err := a.ErasePerson(ctx, s.ID, false); err != nil || e != (Erased{Unnamed: 1}) {
		t.Fatalf("erased %+v, %v", e, err)
	}
	changed, err := a.VisitsSince(ctx, seen, 9)
	if err != nil || len(changed) != 1 || changed[0].ID != s.visit {
		t.Fatalf("changed %v, want visit %s; %v", changed, s.visit, err)
	}
	if faces := changed[0].Stills[0].Faces; len(faces) != 1 || faces[0].Match != nil {
		t.Errorf("the visit shows %+v, want a stranger", faces)
	}
	for i, trace := range s.sealed {
		if _, err := a.keyOfValue(trace); !errors.Is(err, keyfile.ErrGone) {
			t.Errorf("the key of trace %d of %s: %v", i, s.Name, err)
		}
	}
	_, err = a.ErasePerson(ctx, s.ID, false)
	wantError(t, err, house.ErrNotFound)
}

// sealedOf returns what is sealed of a person: the name, and each reference.
func sealedOf(t *testing.T, a *Archive, person string) [][]byte {
	t.Helper()
	rows, err := a.read.QueryContext(t.Context(), `
		SELECT name FROM persons WHERE id = ?1 UNION ALL SELECT descriptor FROM gallery WHERE person = ?1`, person)
	sealed, err := scanAll(rows, err, func(b *[]byte) error { return rows.Scan(b) })
	if err != nil || len(sealed) < 2 {
		t.Fatalf("%d sealed values, %v", len(sealed), err)
	}
	return sealed
}

// Nobody is added by a name that somebody has, however it is written, by however
// many at once. Outside: that é is one letter, written as one code point or as two,
// is UAX #15 (Unicode Normalization Forms), figure 3.
func TestPersonTwice(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	var added atomic.Int32
	var at sync.WaitGroup
	for _, name := range []string{"Zoé Quill", "Zoe\u0301 Quill", "ZOÉ QUILL", " zoé quill ", "Zoé Quill"} {
		at.Go(func() {
			_, err := a.AddPerson(ctx, name)
			if err == nil {
				added.Add(1)
			} else if !errors.Is(err, house.ErrPersonTwice) || !errors.Is(err, house.ErrExists) {
				t.Errorf("%q: %v", name, err)
			}
		})
	}
	at.Wait()
	if n := added.Load(); n != 1 {
		t.Errorf("%d of one name were added", n)
	}
	p, err := a.Person(ctx, "zoe\u0301 quill")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.ErasePerson(ctx, p.ID, false); err != nil {
		t.Fatal(err)
	}
	if _, err := a.AddPerson(ctx, "Zoé Quill"); err != nil {
		t.Errorf("once the first was erased: %v", err)
	}
	_, err = a.AddPerson(ctx, "Ada\u202e Quill")
	wantError(t, err, house.ErrNameUnseen)
}

// A resident whose name was hashed as it was typed, as earlier versions did, is
// found by it, and so is one of now.
func TestResidentHoweverWritten(t *testing.T) {
	a, _ := newArchive(t)
	ctx := t.Context()
	r, err := a.AddResident(ctx, "Zoe\u0301", "hash")
	if err != nil {
		t.Fatal(err)
	}
	for _, mac := range [][]byte{a.nameMAC("Zoe\u0301"), a.nameMACOf("Zoe\u0301")} {
		if _, err := a.write.ExecContext(ctx, `UPDATE residents SET name_mac = ?`, mac); err != nil {
			t.Fatal(err)
		}
		for _, typed := range []string{"zoé", "ZOE\u0301", "Zoé "} {
			if found, err := a.Resident(ctx, typed); err != nil || found.ID != r.ID {
				t.Errorf("%q: %v, %v", typed, found.ID, err)
			}
		}
	}
}
