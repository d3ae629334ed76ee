package export

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"image"
	"image/color"
	"image/draw"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"filippo.io/age"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
	"lintel/pipeline/redact"
	"lintel/store"
	"lintel/store/seal"
)

// A household is an archive under test, whose clock stands still until it is moved.
type household struct {
	*store.Archive
	t   *testing.T
	dir string
	now time.Time
	ada house.Person // whose name has what a page must escape
	bo  house.Person
}

const adasName = `Ada <Quill & "Sons">`

func newHouse(t *testing.T) *household {
	t.Helper()
	h := &household{t: t, dir: t.TempDir(), now: time.Date(2031, 5, 4, 16, 30, 0, 0, time.UTC)}
	var err error
	h.Archive, err = store.Open(t.Context(), h.dir, seal.Key(bytes.Repeat([]byte{7}, seal.KeySize)), func() time.Time {
		return h.now
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	rules := house.DefaultRules()
	rules.Zone = "Europe/Oslo"
	h.must(h.SetRules(t.Context(), rules))
	_, err = h.AddBell(t.Context(), "garden-gate")
	h.must(err)
	h.ada, err = h.AddPerson(t.Context(), adasName)
	h.must(err)
	h.bo, err = h.AddPerson(t.Context(), "Bo Lark")
	h.must(err)
	return h
}

func (h *household) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// Faces on the drawing, far apart and close by.
var (
	adasFace = image.Rect(60, 60, 120, 120)
	farFace  = image.Rect(240, 80, 280, 120)
	nearFace = image.Rect(126, 70, 156, 100)
)

// still draws a still as the archive keeps it: a face where Ada's is, and
// something of the colour at each of the places.
func still(t testing.TB, c color.Color, at ...image.Rectangle) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, 320, 240))
	for y := range 240 {
		for x := range 320 {
			m.SetRGBA(x, y, color.RGBA{uint8(90 + x/4), uint8(110 + y/3), 140, 255})
		}
	}
	for y := adasFace.Min.Y; y < adasFace.Max.Y; y++ {
		for x := adasFace.Min.X; x < adasFace.Max.X; x++ {
			m.SetRGBA(x, y, color.RGBA{uint8(150 + 40*math.Sin(float64(x)/5)), uint8(120 + 30*math.Cos(float64(y)/4)), 90,
				255})
		}
	}
	for _, r := range at {
		draw.Draw(m, r, image.NewUniform(c), image.Point{}, draw.Src)
		draw.Draw(m, r.Inset(r.Dx()/4), image.NewUniform(color.RGBA{20, 10, 200, 255}), image.Point{}, draw.Src)
	}
	data, err := redact.Encode(m)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

var red = color.RGBA{220, 30, 40, 255}

func face(box image.Rectangle, person string) house.Face {
	f := house.Face{Box: box, Landmarks: []house.Point{{X: float64(box.Min.X) + 3.5, Y: 70}},
		Quality: &house.Quality{FaceWidth: box.Dx(), Sharpness: .25}}
	for i := range f.Descriptor {
		f.Descriptor[i] = float32(i)/1000 + float32(box.Min.X)
	}
	f.Liveness = &house.Liveness{Level: house.Doubtful, Probability: .5, Frames: 1, CantTell: []string{liveness.OneFrame},
		Findings: []house.Finding{
			{Sign: liveness.Repeat, Score: 1, Values: []float64{3, .125, 30},
				Region: []house.Point{{X: 60, Y: 60}, {X: 120, Y: 60}, {X: 90, Y: 120}}},
			{Sign: liveness.Detail, Missing: liveness.Dark},
		}}
	if person != "" {
		f.Match = &house.Match{Person: person, Distance: 0.3125, FPIR: 2.5e-5, Band: "strong"}
	}
	return f
}

// rings keeps a still of a ring, and what was found on it.
func (h *household) rings(ring string, frame int, jpeg []byte, state house.StillState,
	faces ...house.Face) (visit string) {
	h.t.Helper()
	visit, _, err := h.Keep(h.t.Context(), house.NewStill{
		Bell: "garden-gate", Ring: ring, Frame: frame, JPEG: jpeg, Width: 320, Height: 240,
		ReceivedAt: h.now, TakenAt: h.now.Add(-1500 * time.Millisecond),
	})
	h.must(err)
	if state != house.Pending {
		v, err := h.Visit(h.t.Context(), visit)
		h.must(err)
		i := slices.IndexFunc(v.Stills, func(s house.Still) bool { return s.Frame == frame })
		h.must(h.Record(h.t.Context(), v.Stills[i].ID, state, faces))
	}
	return visit
}

// stillFile returns the path of a still's file.
func (h *household) stillFile(visit string, frame int) string {
	h.t.Helper()
	v, err := h.Visit(h.t.Context(), visit)
	h.must(err)
	for _, s := range v.Stills {
		if s.Frame == frame {
			return filepath.Join(h.dir, "stills", s.File[:2], s.File+".still")
		}
	}
	h.t.Fatalf("visit %s has no frame %d", visit, frame)
	return ""
}

func (h *household) begin(a Archive, recipients ...age.Recipient) *Export {
	h.t.Helper()
	e, err := Begin(house.By(h.t.Context(), house.ByCommand), a, h.ada.ID, Options{Now: h.now, Recipients: recipients})
	h.must(err)
	return e
}

// export exports what is held of Ada.
func (h *household) export() (files map[string][]byte, sum Summary) {
	h.t.Helper()
	var b bytes.Buffer
	sum, err := h.begin(h).Write(h.t.Context(), &b)
	h.must(err)
	return unzip(h.t, b.Bytes()), sum
}

func unzip(t testing.TB, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	files := make(map[string][]byte)
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(r); err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
	}
	return files
}

// whole is data.json as somebody reads it.
type whole struct {
	document
	Visits []visitRecord `json:"visits"`
	Trail  []entryRecord `json:"trail"`
}

func readJSON(t testing.TB, files map[string][]byte) (w whole) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(files["data.json"]))
	d.DisallowUnknownFields()
	if err := d.Decode(&w); err != nil {
		t.Fatalf("data.json: %v\n%s", err, files["data.json"])
	}
	return w
}

// furnish fills a house with all that an export can meet.
func furnish(t *testing.T) *household {
	h := newHouse(t)
	ctx := t.Context()
	morgan, err := h.AddResident(ctx, "Morgan Vale", "no password")
	h.must(err)
	_, err = h.PairTablet(ctx, "Upstairs landing", morgan.ID)
	h.must(err)
	tablets, err := h.Tablets(ctx)
	h.must(err)
	for _, p := range []house.Person{h.ada, h.bo} {
		h.must(h.RecordConsent(ctx, p.ID, house.Consent{GivenBy: p.Name, GivenAt: h.now.Add(-time.Hour),
			Scope: "Recognising my face at the door; Bo Lark told me how."}))
		r := house.Reference{Person: p.ID, FaceWidth: 211, Quality: .75, SourceSHA256: [32]byte{1},
			Descriptor: face(adasFace, "").Descriptor,
			Portrait:   &house.Portrait{Origin: house.FromCamera, JPEG: still(t, red)}}
		h.must(h.AddReference(ctx, r))
	}

	h.now = h.now.Add(time.Minute)
	h.rings("ring-alone", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.now = h.now.Add(time.Minute)
	together := h.rings("ring-together", 0, still(t, red, farFace), house.Done, face(adasFace, h.ada.ID),
		face(farFace, h.bo.ID))
	h.rings("ring-together", 1, still(t, red, nearFace, farFace), house.Done, face(adasFace, h.ada.ID),
		face(nearFace, ""),
		face(farFace, ""))
	h.rings("ring-together", 2, still(t, red, farFace), house.Done, face(farFace, ""))
	h.rings("ring-together", 3, still(t, red, farFace), house.Failed)
	h.rings("ring-together", 4, still(t, red, farFace), house.Pending)
	h.must(h.PlaceHold(ctx, together, "morgan vale and BO LARK say a pot broke", h.now.Add(40*24*time.Hour)))
	h.must(h.SetDisplay(ctx, "garden-gate", house.UsualDisplay))
	message, err := h.AddMessage(ctx, house.Message{Bell: "garden-gate", Visit: together, Text: "BO LARK comes",
		Until: h.now.Add(time.Minute)})
	h.must(err)
	h.must(h.ShowedMessage(ctx, "garden-gate", message))

	h.now = h.now.Add(time.Minute)
	hurt := h.rings("ring-hurt", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.rings("ring-hurt", 1, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.rings("ring-hurt", 2, []byte("\xff\xd8 no picture"), house.Done, face(adasFace, h.ada.ID))
	sealed, err := os.ReadFile(h.stillFile(hurt, 0))
	h.must(err)
	sealed[len(sealed)/2] ^= 1
	h.must(os.WriteFile(h.stillFile(hurt, 0), sealed, 0o600))
	h.must(os.Remove(h.stillFile(hurt, 1)))

	h.now = h.now.Add(time.Minute)
	h.rings("ring-of-bo", 0, still(t, red), house.Done, face(adasFace, h.bo.ID))
	nobodys, err := h.Visit(ctx, h.rings("ring-of-nobody", 0, still(t, red), house.Done, face(adasFace, "")))
	h.must(err)
	h.must(h.Answer(ctx, house.Check{Face: nobodys.Stills[0].Faces[0].ID, Answer: house.AnswerNo, Asked: h.ada.ID,
		AskedDistance: .6}))
	for _, actor := range []string{"resident " + morgan.ID, "tablet " + tablets[0].ID, house.ByItself} {
		h.must(h.Note(house.By(ctx, actor), "looked", "visit "+together))
	}
	h.furnishSecond(morgan.ID, together)
	return h
}
