// Package photographs measures photographs of real people, read where they are,
// with package quality. It holds tests alone, so that those of package quality
// need neither models nor C libraries.
package photographs

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/pipeline/face"
	"lintel/pipeline/quality"
)

// A photograph shows one face.
type photograph struct {
	name  string
	image image.Image
	face  house.Face
}

func openFinder(t testing.TB) *face.Finder {
	t.Helper()
	if race {
		t.Skip("SKIPPED: too slow with the race detector; runs without")
	}
	f, err := face.Open(supplies.NeedModels(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// people reads every step-th of the photographs that the pattern picks below
// the folder of faces.
func people(t testing.TB, f *face.Finder, pattern string, step int) (list []photograph) {
	t.Helper()
	dir, ok := supplies.Faces()
	if !ok {
		t.Skip("SKIPPED: no photographs; LINTEL_FACES names the folder that holds pairs/<id>/*.jpg")
	}
	files, err := filepath.Glob(filepath.Join(dir, filepath.FromSlash(pattern)))
	if err != nil || len(files) == 0 {
		t.Fatalf("%d photographs, %v", len(files), err)
	}
	for i := 0; i < len(files); i += step {
		img, err := imaging.Open(files[i])
		if err != nil {
			t.Fatal(err)
		}
		p, ok := only(t, f, files[i][len(dir):], img)
		if !ok {
			t.Fatalf("%s: not one face", files[i])
		}
		list = append(list, p)
	}
	return list
}

func only(t testing.TB, f *face.Finder, name string, img image.Image) (p photograph, ok bool) {
	t.Helper()
	faces, err := f.Find(t.Context(), img)
	if err != nil {
		t.Fatal(err)
	}
	if len(faces) != 1 {
		return p, false
	}
	return photograph{name, img, faces[0]}, true
}

func (p photograph) quality() house.Quality { return quality.Measure(p.image, p.face) }

// TestPortraitsPass: outside are the portraits of the Face Research Lab London
// Set, sharp and evenly lit by their making; 95 of 100 are to be good enough to
// enrol. And all four photographs of one person in differing poses.
func TestPortraitsPass(t *testing.T) {
	f := openFinder(t)
	for _, c := range []struct {
		pattern string
		least   float64
	}{{"pairs/*/neutral.jpg", .95}, {"pairs/*/smiling.jpg", .95}, {"varied/*.jpg", 1}} {
		all := people(t, f, c.pattern, 1)
		passed := 0
		scores := make([]float64, len(all))
		for i, p := range all {
			q := p.quality()
			var complaints []quality.Complaint
			if scores[i], complaints = quality.Judge(q); len(complaints) == 0 {
				passed++
			} else {
				t.Logf("%s: %v, %+v", p.name, complaints, q)
			}
			if quality.Poor(q) {
				t.Errorf("%s is poor: %+v", p.name, q)
			}
		}
		slices.Sort(scores)
		t.Logf("%s: %d of %d can be enrolled; scores from %.2f, median %.2f", c.pattern, passed, len(all), scores[0],
			scores[len(scores)/2])
		if float64(passed) < c.least*float64(len(all)) {
			t.Errorf("%s: %d of %d can be enrolled", c.pattern, passed, len(all))
		}
	}
}

// TestWorse makes photographs worse step by step: the score never rises, and
// the complaint is the right one in the end.
func TestWorse(t *testing.T) {
	some := people(t, openFinder(t), "pairs/*/neutral.jpg", 8)
	for _, c := range []struct {
		name   string
		worsen func(p photograph, by float64) image.Image
		by     []float64
		code   string
	}{
		{"blurred", func(p photograph, by float64) image.Image {
			return imaging.Blur(p.image, by*eyes(p))
		}, []float64{.01, .02, .04, .06, .09}, "blurred"},
		{"shaken", func(p photograph, by float64) image.Image {
			return shaken(p.image, int(by*eyes(p)))
		}, []float64{.05, .1, .2, .35, .6}, "blurred"},
		{"darkened", func(p photograph, by float64) image.Image {
			return exposed(p.image, by)
		}, []float64{.8, .5, .3, .2, .1, .04, .01}, "dark"},
		{"overexposed", func(p photograph, by float64) image.Image {
			return exposed(p.image, by)
		}, []float64{1.5, 2, 3, 6, 12, 24}, "bright"},
		{"hazy", func(p photograph, by float64) image.Image {
			return imaging.AdjustContrast(p.image, by)
		}, []float64{-20, -50, -70, -85, -95}, "flat"},
		{"covered from the chin up", covered, []float64{1.5, 1.2, .8, .4, -.3}, "covered"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, p := range some {
				before, _ := quality.Judge(p.quality())
				first := before
				var codes []string
				var q house.Quality
				for _, by := range c.by {
					q = quality.Measure(c.worsen(p, by), p.face)
					score, complaints := quality.Judge(q)
					if score > before+1e-9 {
						t.Errorf("%s: %s by %v the score rises from %v to %v: %+v", p.name, c.name, by, before, score, q)
					}
					before, codes = score, nil
					for _, x := range complaints {
						codes = append(codes, x.Code)
					}
				}
				if before >= first/2 || !slices.Contains(codes, c.code) || c.code != "covered" && !quality.Poor(q) {
					t.Errorf("%s: %s, a score of %v became %v, complaints %v: %+v", p.name, c.name, first, before, codes, q)
				}
			}
		})
	}
}

func eyes(p photograph) float64 { return p.quality().EyeDistance }

// shaken is moved by so many pixels while it was exposed.
func shaken(img image.Image, by int) image.Image {
	from := imaging.Clone(img)
	to := image.NewNRGBA(from.Rect)
	for y := range from.Rect.Dy() {
		for x := range from.Rect.Dx() {
			var sum [3]int
			for d := range by + 1 {
				i := from.PixOffset(min(max(x+d-by/2, 0), from.Rect.Dx()-1), y)
				for k := range sum {
					sum[k] += int(from.Pix[i+k])
				}
			}
			to.SetNRGBA(x, y, color.NRGBA{uint8(sum[0] / (by + 1)), uint8(sum[1] / (by + 1)), uint8(sum[2] / (by + 1)), 255})
		}
	}
	return to
}

// exposed has so many times the light: sRGB is taken for a power of 2.2.
func exposed(img image.Image, light float64) image.Image {
	return imaging.AdjustFunc(img, func(c color.NRGBA) color.NRGBA {
		at := func(v uint8) uint8 {
			return uint8(255 * math.Pow(min(light*math.Pow(float64(v)/255, 2.2), 1), 1/2.2))
		}
		return color.NRGBA{at(c.R), at(c.G), at(c.B), c.A}
	})
}

// covered has a plain cloth, as bright as the face, over it from the chin up to
// so many distances of the eyes below them.
func covered(p photograph, up float64) image.Image {
	to := imaging.Clone(p.image)
	draw.Draw(to, image.Rectangle{p.at(-1.5, up), p.at(1.5, 2)}, image.NewUniform(color.Gray{uint8(p.quality().Luma)}),
		image.Point{}, draw.Src)
	return to
}

// BenchmarkCovered says what of faces the hint sees covered, of what was
// painted over them, evenly bright or with noise for a pattern.
func BenchmarkCovered(b *testing.B) {
	all := people(b, openFinder(b), "pairs/*/neutral.jpg", 1)
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		name           string
		x0, y0, x1, y1 float64 // in distances of the eyes from their middle
		luma, pattern  float64
	}{
		{"nothing", 0, 0, 0, 0, 0, 0},
		{"dark mask", -1.2, .45, 1.2, 1.8, 30, 4},
		{"bright mask", -1.2, .45, 1.2, 1.8, 210, 4},
		{"patterned scarf", -1.2, .45, 1.2, 1.8, 120, 40},
		{"dark glasses", -.9, -.3, .9, .35, 20, 4},
		{"cloth over one eye", -1.1, -.4, -.05, .35, 120, 4},
		{"half the mouth", 0, .75, 1.2, 1.5, 120, 4},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				seen, poor := 0, 0
				for _, p := range all {
					to := imaging.Clone(p.image)
					r := image.Rectangle{p.at(c.x0, c.y0), p.at(c.x1, c.y1)}
					for y := r.Min.Y; y < r.Max.Y; y++ {
						for x := r.Min.X; x < r.Max.X; x++ {
							to.Set(x, y, color.Gray{uint8(min(max(c.luma+c.pattern*rnd.NormFloat64(), 0), 255))})
						}
					}
					q := quality.Measure(to, p.face)
					if _, complaints := quality.Judge(q); slices.ContainsFunc(complaints, func(c quality.Complaint) bool {
						return c.Code == "covered"
					}) {
						seen++
					}
					if quality.Poor(q) {
						poor++
					}
				}
				b.ReportMetric(float64(len(all)), "faces")
				b.ReportMetric(float64(seen), "seen")
				b.ReportMetric(float64(poor), "poor")
			}
		})
	}
}

// at returns the place that lies so many distances of the eyes from their middle.
func (p photograph) at(x, y float64) image.Point {
	l, d := p.face.Landmarks, eyes(p)
	return house.Point{X: (l[0].X+l[1].X+l[2].X+l[3].X)/4 + x*d, Y: (l[0].Y+l[1].Y+l[2].Y+l[3].Y)/4 + y*d}.Round()
}

// TestRotatedCopies turns photographs in their plane, and mirrors them, and has
// the faces found anew: the roll follows, and the yaw stays or changes sides.
// Found landmarks differ by some degrees from copy to copy.
func TestRotatedCopies(t *testing.T) {
	f := openFinder(t)
	lost := 0
	for _, p := range people(t, f, "pairs/*/neutral.jpg", 8) {
		q := p.quality()
		for _, by := range []float64{-20, -10, 10, 20} { // clockwise
			turned, ok := only(t, f, p.name, imaging.Rotate(p.image, -by, color.Gray{128}))
			if !ok {
				lost++
				continue
			}
			g := turned.quality()
			near(t, fmt.Sprintf("%s: the roll, turned by %v,", p.name, by), g.Roll, q.Roll+by, 3)
			near(t, fmt.Sprintf("%s: the yaw, turned by %v,", p.name, by), g.Yaw, q.Yaw, 9)
			near(t, fmt.Sprintf("%s: the distance of the eyes, turned by %v,", p.name, by), g.EyeDistance, q.EyeDistance,
				.06*q.EyeDistance)
		}
		mirrored, ok := only(t, f, p.name, imaging.FlipH(p.image))
		if !ok {
			lost++
			continue
		}
		g := mirrored.quality()
		near(t, p.name+": the roll, mirrored,", g.Roll, -q.Roll, 3)
		near(t, p.name+": the yaw, mirrored,", g.Yaw, -q.Yaw, 9)
	}
	if lost > 2 {
		t.Errorf("on %d copies no face was found", lost)
	}
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.2f, want %.2f within %v", what, got, want, tolerance)
	}
}

// BenchmarkRecognised says what blur and distance do to recognition, and what
// to a face's quality, from a neutral portrait of each person and a smiling one
// that is blurred or reduced.
func BenchmarkRecognised(b *testing.B) {
	f := openFinder(b)
	references, probes := people(b, f, "pairs/*/neutral.jpg", 1), people(b, f, "pairs/*/smiling.jpg", 1)
	for _, sigma := range []float64{0, 2, 3, 4, 5, 6, 7, 8} {
		b.Run(fmt.Sprintf("blurred by %v px", sigma), func(b *testing.B) {
			recognised(b, f, references, probes, func(p photograph) image.Image {
				if sigma == 0 {
					return p.image
				}
				return imaging.Blur(p.image, sigma)
			})
		})
	}
	for _, width := range []int{160, 100, 80, 60, 40, 32, 24} {
		b.Run(fmt.Sprintf("%d px wide", width), func(b *testing.B) {
			recognised(b, f, references, probes, func(p photograph) image.Image {
				return imaging.Resize(p.image, p.image.Bounds().Dx()*width/p.face.Width(), 0, imaging.Box)
			})
		})
	}
}

func recognised(b *testing.B, f *face.Finder, references, probes []photograph, worsen func(photograph) image.Image) {
	for b.Loop() {
		found, poor, refused, missed, called := 0, 0, 0, 0, 0
		for i, p := range probes {
			p, ok := only(b, f, p.name, worsen(p))
			if !ok {
				continue
			}
			found++
			if quality.Poor(p.quality()) {
				poor++
			}
			if _, complaints := quality.Judge(p.quality()); len(complaints) > 0 {
				refused++
			}
			for j, r := range references {
				switch near := distance(p.face.Descriptor, r.face.Descriptor) <= .45; {
				case i == j && !near:
					missed++
				case i != j && near:
					called++
				}
			}
		}
		for unit, n := range map[string]int{"found": found, "poor": poor, "refused": refused, "missed": missed,
			"false": called} {
			b.ReportMetric(float64(n), unit)
		}
	}
}

func distance(a, b house.Descriptor) (d float64) {
	for i := range a {
		d += float64(a[i]-b[i]) * float64(a[i]-b[i])
	}
	return math.Sqrt(d)
}

// BenchmarkPhotographs says what the numbers are on portraits, and on dlib's
// example photographs, whose faces are small and look anywhere.
func BenchmarkPhotographs(b *testing.B) {
	f := openFinder(b)
	var examples []photograph
	files, err := filepath.Glob(filepath.Join(supplies.NeedModels(b), "examples", "2*.jpg"))
	if err != nil || len(files) == 0 {
		b.Skip("SKIPPED: no example photographs; `make test` fetches them")
	}
	for _, file := range files {
		img, err := imaging.Open(file)
		if err != nil {
			b.Fatal(err)
		}
		faces, err := f.Find(b.Context(), img)
		if err != nil {
			b.Fatal(err)
		}
		for _, face := range faces {
			examples = append(examples, photograph{file, img, face})
		}
	}
	for _, set := range []struct {
		name string
		all  []photograph
	}{{"portraits", append(people(b, f, "pairs/*/neutral.jpg", 1), people(b, f, "pairs/*/smiling.jpg", 1)...)},
		{"examples", examples}} {
		b.Run(set.name, func(b *testing.B) {
			values := make(map[string][]float64)
			said := make(map[string]int)
			for b.Loop() {
				clear(values)
				clear(said)
				for _, p := range set.all {
					q := p.quality()
					score, complaints := quality.Judge(q)
					for _, c := range complaints {
						said[c.Code]++
					}
					if quality.Poor(q) {
						said["POOR"]++
					}
					for name, v := range map[string]float64{
						"score": score, "eyes": q.EyeDistance, "px/m": q.PixelsPerMetre, "sharpness": q.Sharpness, "luma": q.Luma,
						"clipped":  q.Clipped,
						"contrast": q.Contrast, "yaw": q.Yaw, "roll": q.Roll, "occlusion": q.Occlusion, "cut": q.Cut,
					} {
						values[name] = append(values[name], v)
					}
				}
			}
			var lines []string
			for name, v := range values {
				slices.Sort(v)
				lines = append(lines, fmt.Sprintf("%-10s %8.3f %8.3f %8.3f %8.3f %8.3f", name, v[0], v[len(v)/20], v[len(v)/2],
					v[len(v)-1-len(v)/20], v[len(v)-1]))
			}
			slices.Sort(lines)
			fmt.Printf("%d faces; least, 5 %%, median, 95 %%, most:\n%s\ncomplaints: %v\n", len(set.all),
				strings.Join(lines, "\n"), said)
		})
	}
}
