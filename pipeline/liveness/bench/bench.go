// Package bench makes rings of stills for tests and measurements of
// pipeline/liveness: persons at the bell, and pictures of persons held before
// it, on paper and on screens.
//
// Nothing of it runs in the server. The portraits are read where they are and
// never become part of the project; everything around them is made up.
//
// It is a simulator. A scene is laid out in millimetres before a lens; every
// still, of a person as of a picture, goes the same way:
//
//	backdrop ─┐
//	body ─────┼─▶ light on the sensor ─▶ exposure, noise ─▶ tone ─▶ JPEG
//	picture ──┘   (lens, focus, motion)
//
// Scenes, lenses, light, cameras and the size and place of faces are drawn
// alike for both, so that only what makes a picture a picture tells them apart.
// What it does not know of real prints, panels and cameras, no figure measured
// with it knows either.
package bench

import (
	"fmt"
	"hash/fnv"
	"image"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"

	"lintel/store"
)

// What a ring shows.
const (
	BonaFide = "bona-fide" // a person
	Print    = "print"
	Screen   = "screen"
)

// Species are those of attacks.
var Species = []string{Print, Screen}

// A Bench makes rings. It may be used by several goroutines.
type Bench struct {
	dir string
	ids []string

	finding sync.Mutex
	find    func(image.Image) (store.Face, error) // one at a time

	opening sync.Mutex
	recent  []*opened // the latest last
}

// An opened portrait is kept for the next rings, which are often of the same
// person.
type opened struct {
	id   string
	once sync.Once
	p    *portrait
	err  error
}

// kept is how many portraits are, of some 16 MB each.
const kept = 6

// Open makes a bench of the portraits in dir (see doorstep.Faces). find returns
// the one face on a portrait, with its landmarks.
func Open(dir string, find func(image.Image) (store.Face, error)) (*Bench, error) {
	names, err := filepath.Glob(filepath.Join(dir, "pairs", "*", "neutral.jpg"))
	if err != nil {
		return nil, fmt.Errorf("listing portraits: %w", err)
	}
	b := &Bench{dir: dir, find: find}
	for _, name := range names {
		b.ids = append(b.ids, filepath.Base(filepath.Dir(name)))
	}
	slices.Sort(b.ids)
	if len(b.ids) == 0 {
		return nil, fmt.Errorf("no pairs/*/neutral.jpg in %s", dir)
	}
	return b, nil
}

// A Ring is the stills of one ring, and what is true of them.
type Ring struct {
	Species  string
	Identity string // the portrait's id
	JPEGs    [][]byte
	Lens     store.Lens
	Night    bool

	// Picture is where the corners of the picture are on each still, from its
	// left upper one clockwise; empty for a person.
	Picture [][4]store.Point
	// Eyes is where the middle between the eyes is on each still.
	Eyes []store.Point
	// Millimetres between the eyes, as drawn: a person's, or a picture's.
	Span   float64
	Copied bool // all stills are copies of the first
}

// Ring makes ring n, 0 and up, of a species, with so many frames. The same
// arguments give the same bytes.
func (b *Bench) Ring(species string, g Ranges, n, frames int) (Ring, error) {
	ids := b.ids[min(g.From, len(b.ids)):min(g.To, len(b.ids))]
	if len(ids) == 0 {
		return Ring{}, fmt.Errorf("no portraits in the range %s", g.Name)
	}
	h := fnv.New32a()
	h.Write([]byte(species))
	r := rand.New(rand.NewPCG(g.Seed, uint64(h.Sum32())<<32|uint64(n)))
	p, err := b.portrait(ids[n%len(ids)])
	if err != nil {
		return Ring{}, err
	}
	s := newScene(r, g)
	ring := Ring{Species: species, Identity: p.id, Lens: s.lens, Night: s.night}
	switch species {
	case BonaFide:
		err = s.person(r, &ring, p, frames)
	case Print, Screen:
		holder := ids[(n+1)%len(ids)]
		var other *portrait
		if other, err = b.portrait(holder); err == nil {
			err = s.attack(r, &ring, g, p, other, frames)
		}
	default:
		err = fmt.Errorf("no species %q", species)
	}
	if err != nil {
		return Ring{}, fmt.Errorf("ring %d of %s: %w", n, species, err)
	}
	return ring, nil
}

func (b *Bench) portrait(id string) (*portrait, error) {
	o := b.slot(id)
	o.once.Do(func() {
		o.p, o.err = openPortrait(b.dir, id, func(img image.Image) (store.Face, error) {
			b.finding.Lock()
			defer b.finding.Unlock()
			return b.find(img)
		})
	})
	return o.p, o.err
}

// slot is where a portrait is, or will be.
func (b *Bench) slot(id string) *opened {
	b.opening.Lock()
	defer b.opening.Unlock()
	for _, o := range b.recent {
		if o.id == id {
			return o
		}
	}
	if len(b.recent) == kept {
		b.recent = slices.Delete(b.recent, 0, 1)
	}
	o := &opened{id: id}
	b.recent = append(b.recent, o)
	return o
}

// A scene is what is the same on all stills of a ring.
type scene struct {
	lens   store.Lens
	optics *optics
	light  light
	night  bool
	camera camera
	back   *film
	eyes   vec // of who stands there
	wide   float64
	stop   float64 // the lens' opening, millimetres
	focus  float64 // where it is sharpest, millimetres
}

func newScene(r *rand.Rand, g Ranges) *scene {
	s := &scene{}
	s.lens = store.Lens{Angle: g.Angle.draw(r), Height: g.Height.draw(r), Tilt: between(r, -12, 5), Projection: store.Straight}
	if s.lens.Angle > 115 {
		s.lens.Projection = store.Equidistant
	}
	s.optics = newOptics(s.lens, g.Bend.draw(r))
	s.stop, s.focus = between(r, 0.6, 1.1), between(r, 500, 1000)
	s.shine(r, g)
	s.film(r, g)
	backdrop := newBackdrop(r, &s.light, 1000*s.lens.Height)
	backdrop.dark = 1
	if s.night {
		backdrop.dark = between(r, 0.01, 0.3)
	}
	s.back = backdrop.draw(s.optics)
	s.stand(r, g)
	return s
}

// shine draws the light: day, dusk, or a porch lamp at night.
func (s *scene) shine(r *rand.Rand, g Ranges) {
	l := &s.light
	kelvin := g.Kelvin.draw(r)
	l.sun = vec{between(r, -1, 1), between(r, -1, -0.15), between(r, -1, 1)}.unit()
	if r.Float64() < 0.4 { // behind the house: an even light
		l.sun.z = math.Abs(l.sun.z)
	} else {
		l.sun.z = -math.Abs(l.sun.z)
	}
	l.ambient, l.direct = between(r, 0.25, 0.7), 0
	if r.Float64() < 0.6 {
		l.direct = between(r, 0.1, 0.8)
	}
	l.porch = between(r, 0.35, 1)
	if s.night = r.Float64() < 0.2; s.night {
		l.porch = between(r, 0.8, 2) // the lamp is at the door
		l.sun = vec{between(r, -0.6, 0.6), -1, between(r, -0.8, 0.2)}.unit()
		l.ambient, l.direct = 0.25, between(r, 0.3, 0.7)
	}
	// The white balance takes most of the light's colour off.
	c, taken := planck(kelvin), between(r, 0.7, 1)
	for i := range c {
		l.balance[i] = math.Pow(c[i], -taken) * math.Exp(0.03*r.NormFloat64())
		l.white[i] = c[i] * l.balance[i]
	}
}

// film draws the camera.
func (s *scene) film(r *rand.Rand, g Ranges) {
	c := &s.camera
	c.soft[0] = between(r, 0.5, 0.95)
	c.soft[1] = min(c.soft[0]*between(r, 1.1, 1.8), 1.3)
	c.white, c.read = math.Exp(between(r, math.Log(1500), math.Log(9000))), between(r, 2, 6)
	if s.night {
		c.white = math.Exp(between(r, math.Log(150), math.Log(900)))
	}
	c.chroma = r.IntN(2)
	if s.night {
		c.chroma++
	}
	if r.Float64() < 0.6 {
		c.denoise = float32(between(r, 0.1, 0.6))
	}
	if r.Float64() < 0.6 {
		c.sharpen = float32(between(r, 0.1, 0.8))
	}
	c.contrast = between(r, 0, 0.4)
	c.quality = int(math.Round(g.Quality.draw(r)))
}

// faceWidth is how wide the finder's box of an average face is, in millimetres.
const faceWidth = 145

// stand draws where a person's eyes are: so that the face is on the still.
func (s *scene) stand(r *rand.Rand, g Ranges) {
	for range 400 {
		d := 1000 * math.Exp(between(r, math.Log(g.Distance.From), math.Log(g.Distance.To)))
		side := radians(between(r, -1, 1) * min(s.lens.Angle*0.33, 32))
		up := 1000*between(r, 1.42, 1.78) - 1000*s.lens.Height
		if up > 0.9*d {
			up *= between(r, 0.3, 1) // who stands so near leans down to the bell
		}
		flat := math.Sqrt(max(d*d-up*up, 0))
		at := vec{flat * math.Sin(side), -up, flat * math.Cos(side)}
		x, y, ok := s.optics.project(at)
		s.wide = faceWidth * s.optics.perMM(at)
		if ok && x > 0.75*s.wide && x < Width-0.75*s.wide && y > 0.75*s.wide && y < Height-0.9*s.wide && s.wide > 58 && s.wide < 330 {
			s.eyes = at
			return
		}
	}
	s.eyes = s.optics.ray(Width/2, Height*0.45).times(900)
	s.wide = faceWidth * s.optics.perMM(s.eyes)
}

// defocus is the deviation of the blur of what is not where the lens is
// sharpest, in pixels: a disc's, whose width is that of the opening as seen
// from there (thin lens).
func (s *scene) defocus(distance float64) float64 {
	return s.optics.f * s.stop * math.Abs(1/distance-1/s.focus) / 4
}

// lay softens a coat and puts it on the film; it returns how it was smeared.
func (s *scene) lay(f *film, c *coat, distance, moveX, moveY float64) smear {
	by := smear{s.defocus(distance), moveX, moveY}
	c.soften(by)
	f.lay(c)
	return by
}

// shoot finishes a still.
func (s *scene) shoot(r *rand.Rand, ring *Ring, f *film, ripples ...*ripple) error {
	if s.camera.gain == 0 {
		s.meter(r, f)
	}
	jpeg, err := s.camera.develop(r, f, ripples)
	if err != nil {
		return err
	}
	ring.JPEGs = append(ring.JPEGs, jpeg)
	return nil
}

// meter sets the exposure by what is seen, the middle counting more, so that
// hardly anything is too bright.
func (s *scene) meter(r *rand.Rand, f *film) {
	sum, weight := 0.0, 0.0
	var all []float64
	for y := 4; y < Height; y += 8 {
		for x := 4; x < Width; x += 8 {
			k := 1.5 - cornerShare(float64(x), float64(y))
			i := 3 * (y*Width + x)
			v := float64(0.2126*f.pix[i] + 0.7152*f.pix[i+1] + 0.0722*f.pix[i+2])
			sum += k * math.Log(max(v, 1e-3))
			weight += k
			all = append(all, v)
		}
	}
	slices.Sort(all)
	bright := all[len(all)*97/100]
	s.camera.gain = float32(min(between(r, 0.13, 0.24)/math.Exp(sum/weight), between(r, 0.9, 1.5)/bright))
}
