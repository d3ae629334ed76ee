package export

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
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
			m.SetRGBA(x, y, color.RGBA{uint8(150 + 40*math.Sin(float64(x)/5)), uint8(120 + 30*math.Cos(float64(y)/4)), 90, 255})
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

// TestNoSignIsToldToNobody has a face without a sign of a picture in an export:
// the code for programs, and no words.
func TestNoSignIsToldToNobody(t *testing.T) {
	l := livenessOf(house.Liveness{Level: house.NoSign, Probability: .02, Frames: 3,
		CantTell: []string{liveness.OneFrame}})
	if l.Level != house.NoSign || l.Says != "" || !slices.Equal(l.CantTell, []string{liveness.OneFrame}) {
		t.Errorf("%+v", l)
	}
}

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
			Descriptor: face(adasFace, "").Descriptor}
		h.must(h.AddReference(ctx, r))
	}

	h.now = h.now.Add(time.Minute)
	h.rings("ring-alone", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.now = h.now.Add(time.Minute)
	together := h.rings("ring-together", 0, still(t, red, farFace), house.Done, face(adasFace, h.ada.ID),
		face(farFace, h.bo.ID))
	h.rings("ring-together", 1, still(t, red, nearFace, farFace), house.Done, face(adasFace, h.ada.ID), face(nearFace, ""),
		face(farFace, ""))
	h.rings("ring-together", 2, still(t, red, farFace), house.Done, face(farFace, ""))
	h.rings("ring-together", 3, still(t, red, farFace), house.Failed)
	h.rings("ring-together", 4, still(t, red, farFace), house.Pending)
	h.must(h.PlaceHold(ctx, together, "morgan vale and BO LARK say a pot broke", h.now.Add(40*24*time.Hour)))

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
		AskedDistance: .6}, nil))
	for _, actor := range []string{"resident " + morgan.ID, "tablet " + tablets[0].ID, house.ByItself} {
		h.must(h.Note(house.By(ctx, actor), "looked", "visit "+together))
	}
	h.furnishSecond(morgan.ID, together)
	return h
}

// TestExport looks at one export from all sides.
func TestExport(t *testing.T) {
	h := furnish(t)
	files, sum := h.export()
	t.Run("data.json", func(t *testing.T) { checkData(t, files, sum) })
	t.Run("meanings", func(t *testing.T) { checkMeanings(t, files) })
	t.Run("names", func(t *testing.T) { checkNames(t, h, files) })
	t.Run("page", func(t *testing.T) { checkPage(t, files) })
	t.Run("other programs", func(t *testing.T) { checkWithOthers(t, h) })
	t.Run("encrypted", func(t *testing.T) { checkEncrypted(t, h) })
}

func checkData(t *testing.T, files map[string][]byte, sum Summary) {
	want := Summary{Visits: 3, Stills: 4, Blurred: 4, Withheld: 2, Unreadable: 3}
	if sum != want {
		t.Errorf("%+v, want %+v", sum, want)
	}
	w := readJSON(t, files)
	if w.Summary != sum || w.Person.Name != adasName || len(w.Consents) != 1 || len(w.References) != 1 ||
		w.Zone != "Europe/Oslo" {
		t.Errorf("%+v", w.document)
	}
	if d := face(adasFace, "").Descriptor; !slices.Equal(w.References[0].Descriptor, d[:]) {
		t.Error("a reference's numbers are not those that are held")
	}

	var got []string
	for _, v := range w.Visits {
		for _, s := range v.Stills {
			got = append(got, fmt.Sprintf("%s %d %s %d+%d", v.ReceivedAt.Format("15:04"), s.Frame, s.Missing, len(s.Faces),
				s.OtherFaces))
			if _, ok := files[s.File]; ok != (s.Missing == "") {
				t.Errorf("frame %d has the file %q, and is missing for the reason %q", s.Frame, s.File, s.Missing)
			}
			for _, f := range s.Faces {
				if partly := s.Frame == 1 && s.Missing == ""; f.PartlyBlurred != partly {
					t.Errorf("visit %s, frame %d: partly blurred %v", v.ID, s.Frame, f.PartlyBlurred)
				}
				if d := face(adasFace, "").Descriptor; !slices.Equal(f.Descriptor, d[:]) || f.Distance != 0.3125 ||
					f.X != adasFace.Min.X {
					t.Errorf("a face is %+v", f)
				}
				if l := f.Liveness; l == nil || l.Level != house.Doubtful || l.Probability != .5 ||
					!strings.HasPrefix(l.Says, "Doubtful: may be a picture. Can’t tell more") ||
					len(l.Findings) != 2 || !slices.Equal(l.Findings[0].Region, [][2]float64{{60, 60}, {120, 60}, {90, 120}}) ||
					l.Findings[1].Missing != liveness.Dark {
					t.Errorf("judged %+v", l)
				}
			}
		}
	}
	wantStills := []string{
		"16:33 0 broken 1+0", "16:33 1 lost 1+0", "16:33 2 no-picture 1+0",
		"16:32 0  1+1", "16:32 1  1+2", "16:32 2  0+1", "16:32 3 not-examinable 0+0", "16:32 4 not-examined 0+0",
		"16:31 0  1+0",
	}
	if !slices.Equal(got, wantStills) {
		t.Errorf("stills\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(wantStills, "\n"))
	}

	var trail []string
	for _, e := range w.Trail {
		about := "person"
		if e.Visit != "" {
			about = "visit"
		}
		if e.Codes {
			about = "codes"
		}
		trail = append(trail, e.Actor+" "+e.Action+" "+about)
	}
	wantTrail := []string{"itself added person", "itself consented person", "itself enrolled person", "itself held visit",
		"resident looked visit", "tablet looked visit", "itself looked visit", "itself changed codes",
		"command exported person"}
	if !slices.Equal(trail, wantTrail) {
		t.Errorf("trail %q, want %q", trail, wantTrail)
	}
}

// Nobody else is named, in any file, compressed or not.
func checkNames(t *testing.T, h *household, files map[string][]byte) {
	names, err := h.Names(t.Context())
	h.must(err)
	secret := []string{"ring-alone", "ring-together", "ring-hurt", "ring-of", "bo lark", "morgan"}
	for id, name := range names {
		kind, id, _ := strings.Cut(id, " ")
		if id != h.ada.ID {
			secret = append(secret, strings.ToLower(id))
			if kind != "bell" {
				secret = append(secret, strings.ToLower(name))
			}
		}
	}
	if len(secret) < 6+2+2+2+1 { // names and ids of a person, a resident and a tablet, id of a bell
		t.Fatalf("%d secrets are looked for", len(secret))
	}
	for name, data := range files {
		for _, s := range secret {
			if bytes.Contains(bytes.ToLower(data), []byte(s)) || strings.Contains(strings.ToLower(name), s) {
				t.Errorf("%s has %q", name, s)
			}
		}
	}
	w := readJSON(t, files)
	if hold := w.Visits[1].Hold; hold == nil || hold.Reason != "[somebody else] and [somebody else] say a pot broke" {
		t.Errorf("the hold is %+v", hold)
	}
}

// The page is well-formed XML as well as HTML (encoding/xml is the judge),
// escapes names, shows each still that is there, and leads nowhere else.
func checkPage(t *testing.T, files map[string][]byte) {
	d := xml.NewDecoder(bytes.NewReader(files["index.html"]))
	d.Entity = xml.HTMLEntity
	ids := make(map[string]bool)
	var links, shown []string
	var text strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("index.html: %v", err)
		}
		switch token := token.(type) {
		case xml.CharData:
			text.Write(token)
		case xml.StartElement:
			if strings.EqualFold(token.Name.Local, "script") {
				t.Error("there is a script")
			}
			for _, a := range token.Attr {
				switch {
				case a.Name.Local == "id":
					ids["#"+a.Value] = true
				case a.Name.Local == "href":
					links = append(links, a.Value)
				case a.Name.Local == "src":
					shown = append(shown, a.Value)
				case strings.HasPrefix(a.Name.Local, "on"):
					t.Errorf("there is a script in %s", a.Name.Local)
				}
			}
		}
	}
	for _, l := range append(links, shown...) {
		if _, ok := files[l]; !ok && !ids[l] {
			t.Errorf("%q leads nowhere", l)
		}
	}
	if len(shown) != 4 {
		t.Errorf("%d stills are shown: %q", len(shown), shown)
	}
	if bytes.Contains(files["index.html"], []byte("url(")) || bytes.Contains(files["index.html"], []byte("://")) {
		t.Error("something is loaded from elsewhere")
	}
	words := regexp.MustCompile(`\s+`).ReplaceAllString(text.String(), " ")
	for _, want := range []string{
		"What is held of " + adasName, "Article 15", "Article 7(3)", "Article 17", "Article 77", "local law decides",
		"Sunday 4 May 2031, 18:32:00 CEST, bell “garden-gate”", // two hours ahead of UTC
		"strong match at distance 0.31, 60 pixels wide; fewer than 1 stranger in 10\u202f000",
		"All of it goes on Tuesday 3 June 2031, 18:31:00 CEST: by the household’s rule, known persons are kept 30 days.",
		"The household holds it until Friday 13 June 2031, 18:32:00 CEST. Its reason: [somebody else]",
		"has not been examined yet", "could not be examined", "can’t be decoded", "is lost", "is not as it was written",
		"A residentlooked at a still of a visit", "Somebody at a tabletlooked", "All of it goes when the hold ends",
		"the blur covers a part of it", "211 pixels",
	} {
		if !strings.Contains(words, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if t.Failed() {
		t.Log(words)
	}
}

// Other programs open the zip and find its sums right: Python's zipfile, and
// sha256sum of GNU coreutils.
func checkWithOthers(t *testing.T, h *household) {
	var b bytes.Buffer
	if _, err := h.begin(h).Write(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "export.zip")
	h.must(os.WriteFile(file, b.Bytes(), 0o600))
	for name := range unzip(t, b.Bytes()) {
		if !filepath.IsLocal(name) || strings.Trim(name,
			"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./") != "" {
			t.Errorf("no file is called %q everywhere", name)
		}
	}
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("SKIPPED: no python3")
	}
	if out, err := exec.Command(python, "-m", "zipfile", "-t", file).CombinedOutput(); err != nil ||
		!bytes.Contains(out, []byte("Done testing")) || bytes.Contains(out, []byte("corrupted")) {
		t.Errorf("zipfile -t: %v\n%s", err, out)
	}
	if out, err := exec.Command(python, "-m", "zipfile", "-e", file, dir).CombinedOutput(); err != nil {
		t.Fatalf("zipfile -e: %v\n%s", err, out)
	}
	check := exec.Command("sha256sum", "--check", "--strict", "SHA256SUMS")
	check.Dir = dir
	out, err := check.CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) {
		t.Skip("SKIPPED: no sha256sum")
	}
	// All files but the list itself.
	if n := len(unzip(t, b.Bytes())) - 1; err != nil || bytes.Count(out, []byte(": OK\n")) != n {
		t.Errorf("sha256sum: %v, want %d right\n%s", err, n, out)
	}
}

// Every field of data.json is explained in it, and nothing that is not there.
func checkMeanings(t *testing.T, files map[string][]byte) {
	explained := make(map[string]bool)
	for _, m := range readJSON(t, files).Meanings {
		explained[m.Field] = true
	}
	var tree any
	if err := json.Unmarshal(files["data.json"], &tree); err != nil {
		t.Fatal(err)
	}
	there := make(map[string]bool)
	var walk func(at string, v any)
	walk = func(at string, v any) {
		there[at] = true
		switch v := v.(type) {
		case map[string]any:
			if strings.HasSuffix(at, "landmarks_px[]") {
				return // a point's x and y
			}
			for name, field := range v {
				walk(strings.TrimPrefix(at+"."+name, "."), field)
			}
		case []any:
			for _, item := range v {
				if _, ok := item.(map[string]any); ok {
					walk(at+"[]", item)
				} else {
					walk(at, item)
				}
			}
		default:
			if !explained[at] {
				t.Errorf("%s is not explained", at)
			}
		}
	}
	walk("", tree)
	for field := range explained {
		sometimes := []string{"withdrawn_at", "smaller_at", "stills_gone_at"}
		if !there[field] && !slices.Contains(sometimes, field[strings.LastIndex(field, ".")+1:]) {
			t.Errorf("%s is explained and not there", field)
		}
	}
}

// Of two archives that differ in nothing but what others look like, the stills
// come out the same, to the byte.
func TestOtherFacesMakeNoDifference(t *testing.T) {
	var exports []map[string][]byte
	kept := make([][]byte, 2)
	for i, c := range []color.Color{red, color.RGBA{10, 230, 20, 255}} {
		h := newHouse(t)
		kept[i] = still(t, c, farFace, nearFace)
		h.rings("ring", 0, kept[i], house.Done, face(adasFace, h.ada.ID), face(nearFace, ""), face(farFace, h.bo.ID))
		h.rings("ring", 1, still(t, c, farFace), house.Done, face(farFace, ""))
		files, _ := h.export()
		exports = append(exports, files)
	}
	if bytes.Equal(kept[0], kept[1]) {
		t.Fatal("the stills are the same before: nothing is tested")
	}
	n := 0
	for name, data := range exports[0] {
		if strings.HasPrefix(name, "stills/") {
			n++
			if !bytes.Equal(data, exports[1][name]) {
				t.Errorf("%s: a face makes a difference", name)
			}
		}
	}
	if n != 2 {
		t.Errorf("%d stills", n)
	}
}

// The person's own face stays: alone to the byte, and beside others, as far
// as JPEG of quality 95 goes. Its noise is under a grey level in the mean
// (pipeline/redact/MEASUREMENTS.md: 0.6); 3 leaves room for this drawing.
func TestOwnFaceStays(t *testing.T) {
	h := newHouse(t)
	alone, crowd := still(t, red), still(t, red, farFace)
	h.rings("ring", 0, alone, house.Done, face(adasFace, h.ada.ID))
	h.rings("ring", 1, crowd, house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	files, _ := h.export()
	stills := readJSON(t, files).Visits[0].Stills
	if !bytes.Equal(files[stills[0].File], alone) {
		t.Error("a still with nobody else on it is not as it is kept")
	}
	if d := difference(t, crowd, files[stills[1].File], adasFace); d > 3 {
		t.Errorf("the person's own face is %.1f grey levels from what is kept", d)
	}
	if d := difference(t, crowd, files[stills[1].File], farFace); d < 20 {
		t.Errorf("the other's face is %.1f grey levels from what is kept", d)
	}
}

// difference is the root mean square between two pictures in a part of them,
// in grey levels.
func difference(t *testing.T, a, b []byte, part image.Rectangle) float64 {
	t.Helper()
	var luma [2]*image.YCbCr
	for i, data := range [][]byte{a, b} {
		m, err := jpeg.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		luma[i] = m.(*image.YCbCr)
	}
	sum := 0.0
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			d := float64(luma[0].YCbCrAt(x, y).Y) - float64(luma[1].YCbCrAt(x, y).Y)
			sum += d * d
		}
	}
	return math.Sqrt(sum / float64(part.Dx()*part.Dy()))
}

// What the rules took is said, and so is what they will take.
func TestStillsThatWent(t *testing.T) {
	h := newHouse(t)
	rules, err := h.Rules(t.Context())
	h.must(err)
	days := func(n int) house.Period { return house.Period{Days: n} }
	rules.Keep[house.Known] = house.Rule{Smaller: days(2), Stills: days(5), Findings: days(300)}
	h.must(h.SetRules(t.Context(), rules))
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	files, _ := h.export()
	v := readJSON(t, files).Visits[0]
	if v.Stage != "whole" || v.Fate.SmallerAt.IsZero() || v.Fate.StillsGoneAt.IsZero() {
		t.Errorf("whole: %+v", v)
	}

	for _, step := range []struct {
		days  int
		stage string
	}{{3, "smaller"}, {3, "findings"}} {
		h.now = h.now.AddDate(0, 0, step.days)
		_, err = h.Sweep(t.Context(), halve)
		h.must(err)
		files, sum := h.export()
		v := readJSON(t, files).Visits[0]
		s := v.Stills[0]
		gone := step.stage == "findings"
		if v.Stage != step.stage || gone != (s.Missing == removed) || gone != (s.Faces[0].Descriptor == nil) ||
			gone != (sum.Gone == 1) {
			t.Errorf("%s: %+v, %+v", step.stage, sum, v)
		}
		if gone && !bytes.Contains(files["index.html"], []byte("This still is gone")) {
			t.Error("the page does not say that the still is gone")
		}
	}
}

func halve(jpeg []byte) ([]byte, int, int, error) { return redact.Shrink(jpeg, 160) }

func TestNothingHeld(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, ""))
	files, sum := h.export()
	if sum != (Summary{}) {
		t.Errorf("%+v", sum)
	}
	w := readJSON(t, files)
	if w.Visits == nil || w.Consents == nil || w.References == nil || len(w.Trail) != 2 { // added, exported
		t.Errorf("%+v", w)
	}
	for _, want := range []string{"None is kept.", "None is recorded.", "you are not enrolled"} {
		if !bytes.Contains(files["index.html"], []byte(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// More visits than one page of the book has, and the same bytes twice.
func TestManyVisits(t *testing.T) {
	h := newHouse(t)
	picture := still(t, red)
	for i := range visitsRead + 1 {
		h.now = h.now.Add(time.Minute)
		h.rings(fmt.Sprint("ring-", i), 0, picture, house.Done, face(adasFace, h.ada.ID))
	}
	e := h.begin(h)
	var first, second bytes.Buffer
	sum, err := e.Write(t.Context(), &first)
	h.must(err)
	_, err = e.Write(t.Context(), &second)
	h.must(err)
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the same export twice is not the same")
	}
	if sum.Visits != visitsRead+1 || sum.Stills != sum.Visits {
		t.Errorf("%+v", sum)
	}
	visits := readJSON(t, unzip(t, first.Bytes())).Visits
	if len(visits) != sum.Visits || !slices.IsSortedFunc(visits, func(a, b visitRecord) int {
		return b.ReceivedAt.Compare(a.ReceivedAt)
	}) {
		t.Errorf("%d visits, newest first", len(visits))
	}
}

func checkEncrypted(t *testing.T, h *household) {
	var recipients []age.Recipient
	var identities []age.Identity
	for range 2 {
		id, err := age.GenerateX25519Identity()
		h.must(err)
		identities, recipients = append(identities, id), append(recipients, id.Recipient())
	}
	var b bytes.Buffer
	e := h.begin(h, recipients...)
	_, err := e.Write(t.Context(), &b)
	h.must(err)
	if !strings.HasSuffix(e.FileName(), ".zip.age") || bytes.Contains(b.Bytes(), []byte("index.html")) {
		t.Errorf("%s is not encrypted", e.FileName())
	}
	var opened [][]byte
	for _, id := range identities {
		r, err := age.Decrypt(bytes.NewReader(b.Bytes()), id)
		h.must(err)
		data, err := io.ReadAll(r)
		h.must(err)
		opened = append(opened, data)
	}
	if readJSON(t, unzip(t, opened[0])).Person.Name != adasName || !bytes.Equal(opened[0], opened[1]) {
		t.Error("the recipients get something else")
	}
	stranger, err := age.GenerateX25519Identity()
	h.must(err)
	if _, err := age.Decrypt(bytes.NewReader(b.Bytes()), stranger); err == nil {
		t.Error("a stranger opens it")
	}
}

// meddling is an archive in which something happens just before a still is read.
type meddling struct {
	Archive
	before func()
}

func (m *meddling) ReadStill(ctx context.Context, visit string, frame int) ([]byte, error) {
	m.before()
	return m.Archive.ReadStill(ctx, visit, frame)
}

func once(f func()) func() {
	done := false
	return func() {
		if !done {
			done = true
			f()
		}
	}
}

// A still that is replaced by a smaller one while it is exported is blurred
// where the faces are on the smaller one.
func TestStillChangesMeanwhile(t *testing.T) {
	h := newHouse(t)
	rules, err := h.Rules(t.Context())
	h.must(err)
	rules.Keep[house.Known] = house.Rule{Smaller: house.Period{Days: 1}, Stills: house.Period{Days: 30},
		Findings: house.Period{Days: 30}}
	h.must(h.SetRules(t.Context(), rules))
	h.rings("ring", 0, still(t, red, farFace), house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	h.now = h.now.AddDate(0, 0, 2)
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, once(func() {
		swept, err := h.Sweep(t.Context(), halve)
		if err != nil || swept.Smaller != 1 {
			t.Fatalf("%+v, %v", swept, err)
		}
	})}).Write(t.Context(), &b)
	if err != nil || sum.Stills != 1 {
		t.Fatalf("%+v, %v", sum, err)
	}
	raced := unzip(t, b.Bytes())
	after, _ := h.export()
	s := readJSON(t, raced).Visits[0].Stills[0]
	if s.Width != 160 || !bytes.Equal(raced[s.File], after[s.File]) {
		t.Errorf("%d pixels wide, and not as it is afterwards", s.Width)
	}
}

// One that changes without end is listed.
func TestStillChangesAllTheWhile(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	parcel := false
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, func() {
		parcel = !parcel
		h.must(h.SetParcel(t.Context(), visit, parcel))
	}}).Write(t.Context(), &b)
	if err != nil || sum.Unreadable != 1 {
		t.Errorf("%+v, %v", sum, err)
	}
	if s := readJSON(t, unzip(t, b.Bytes())).Visits[0].Stills[0]; s.Missing != changing || s.File != "" {
		t.Errorf("%+v", s)
	}
}

// A visit that is erased meanwhile has no still any more.
func TestVisitGoesMeanwhile(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	var b bytes.Buffer
	sum, err := h.begin(&meddling{h, once(func() { h.must(h.EraseVisit(t.Context(), visit)) })}).Write(t.Context(), &b)
	if err != nil || sum.Gone != 1 || sum.Stills != 0 {
		t.Errorf("%+v, %v", sum, err)
	}
}

func TestPersonIsErasedMeanwhile(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	_, err := h.begin(&meddling{h, once(func() {
		_, err := h.ErasePerson(t.Context(), h.ada.ID, true)
		h.must(err)
	})}).Write(t.Context(), io.Discard)
	if !errors.Is(err, house.ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
}

func TestCancelled(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	ctx, cancel := context.WithCancel(t.Context())
	var b bytes.Buffer
	_, err := h.begin(&meddling{h, cancel}).Write(ctx, &b)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want context.Canceled", err)
	}
	if _, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len())); err == nil {
		t.Error("what was written passes for a whole zip")
	}
}

// A full disk refuses the rest.
type fullDisk struct{ room int }

var errFull = errors.New("no space left")

func (d *fullDisk) Write(b []byte) (int, error) {
	if d.room -= len(b); d.room < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestDiskIsFull(t *testing.T) {
	h := newHouse(t)
	h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	e := h.begin(h)
	var b bytes.Buffer
	_, err := e.Write(t.Context(), &b)
	h.must(err)
	for room := 0; room < b.Len(); room += 1 + b.Len()/10 {
		if _, err := e.Write(t.Context(), &fullDisk{room}); !errors.Is(err, errFull) {
			t.Errorf("with room for %d of %d bytes: %v", room, b.Len(), err)
		}
	}
}

// deaf is an archive that takes no entry of the trail.
type deaf struct{ Archive }

func (deaf) Note(context.Context, string, string) error { return house.ErrNoSpace }

func TestRefusals(t *testing.T) {
	h := newHouse(t)
	before, err := h.Trail(t.Context(), 0, 100)
	h.must(err)
	if _, err := Begin(t.Context(), h, "Nobody Known", Options{Now: h.now}); !errors.Is(err, house.ErrNotFound) {
		t.Errorf("%v, want ErrNotFound", err)
	}
	if _, err := Begin(t.Context(), deaf{h}, h.ada.ID, Options{Now: h.now}); !errors.Is(err, house.ErrNoSpace) {
		t.Errorf("without an entry in the trail: %v, want ErrNoSpace", err)
	}
	after, err := h.Trail(t.Context(), 0, 100)
	h.must(err)
	if len(after) != len(before) {
		t.Errorf("%d entries more", len(after)-len(before))
	}
	e := h.begin(h)
	after, err = h.Trail(t.Context(), 0, 1)
	h.must(err)
	if after[0].Action != "exported" || after[0].Subject != "person "+h.ada.ID || after[0].Actor != house.ByCommand {
		t.Errorf("before anything is given out, the trail says %+v", after[0])
	}
	if e.FileName() != "lintel-export-2031-05-04.zip" || e.MediaType() != "application/zip" {
		t.Errorf("%s is %s", e.FileName(), e.MediaType())
	}
}

func TestNamesTakenOut(t *testing.T) {
	o := othersThan("Ada Quill", map[string]string{
		"person 1": "Ada Quill", "resident 1": "ada quill", "person 2": "Bo", "resident 2": "Bo Lark", "tablet 1": "Hall",
		"resident 3": "Élodie Å.",
	})
	for _, c := range []struct{ in, want string }{
		{"", ""},
		{"Ada Quill rang in the hall", "Ada Quill rang in the hall"},
		{"bo lark, BO LARK; Bo", "[somebody else], [somebody else]; [somebody else]"},
		{"the bottle of Bobo", "the bottle of Bobo"},
		{"éLODIE å. (Élodie Å.)", "[somebody else] ([somebody else])"},
		{"Bo Larkspur", "[somebody else] Larkspur"},
		{"\xff\xfeBo", "\xff\xfe[somebody else]"},
	} {
		if got := o.without(c.in); got != c.want {
			t.Errorf("%q becomes %q, want %q", c.in, got, c.want)
		}
	}
}

// A picture of another size than its row says would be blurred elsewhere than
// where faces are. It is not given out.
func TestPictureOfAnotherSize(t *testing.T) {
	h := newHouse(t)
	small, _, _, err := halve(still(t, red, farFace))
	h.must(err)
	h.rings("ring", 0, small, house.Done, face(adasFace, h.ada.ID), face(farFace, ""))
	files, sum := h.export()
	if s := readJSON(t, files).Visits[0].Stills[0]; s.Missing != noPicture || s.File != "" || sum.Unreadable != 1 {
		t.Errorf("%+v, %+v", sum, s)
	}
}

// A hold that has ended is none, though its row is there until a sweep.
func TestHoldThatEnded(t *testing.T) {
	h := newHouse(t)
	visit := h.rings("ring", 0, still(t, red), house.Done, face(adasFace, h.ada.ID))
	h.must(h.PlaceHold(t.Context(), visit, "a pot broke", h.now.Add(time.Hour)))
	for _, held := range []bool{true, false} {
		files, _ := h.export()
		if v := readJSON(t, files).Visits[0]; (v.Hold != nil) != held ||
			bytes.Contains(files["index.html"], []byte("a pot broke")) != held {
			t.Errorf("the hold is %+v, want one %v", v.Hold, held)
		}
		h.now = h.now.Add(time.Hour)
	}
}
