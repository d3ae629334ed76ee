package doorstep

import (
	"math"

	"lintel/internal/doorstep/raster"
)

// A sheet is what a picture is shown on: flat, or bent a little.
type sheet struct {
	medium        Medium
	width, height float64 // metres, with the border
	border        float64 // metres, about the picture
	scale         float64 // of the portrait's metres
	eyes          float64 // metres from the upper edge
	bent          float64 // metres that its sides lie behind its middle
	behind        float64 // metres from it to who holds it
	beside        float64 // metres that who holds it stands to its side
	portrait      *portrait
}

func (s Shown) sheet() sheet {
	if s.As == Phone {
		return sheet{Phone, 0.076, 0.158, 0.004, 0.30, 0.068, 0, 0.34, 0.24, portraitOf(s.Of)}
	}
	return sheet{Print, 0.21, 0.28, 0.008, 0.72, 0.115, 0.008, 0.25, 0.02, portraitOf(s.Of)}
}

// place is where a point of the sheet is in space, by metres to the right of the shown eyes and up.
func (s sheet) place(p pose, right, up float64) raster.Vec {
	bow := right / (s.width / 2)
	return outward(p.rotate(raster.Vec{right, up, -s.bent * bow * bow})).Add(p.at)
}

const (
	sheetCells    = 12 // across and down: so small that the lens doesn't show
	sheetSurface  = 0
	screenCorners = 0.009 // metres, of a phone
)

// mesh is the sheet in the lens's space. Rest is the place on it, to the right of the shown eyes and up, in metres.
func (s sheet) mesh(p pose) *raster.Mesh {
	m := &raster.Mesh{}
	for row := range sheetCells + 1 {
		for column := range sheetCells + 1 {
			right := s.width * (float64(column)/sheetCells - 0.5)
			up := s.eyes - s.height*float64(row)/sheetCells
			slope := -2 * s.bent * right / (s.width * s.width / 4)
			m.Vertices = append(m.Vertices, raster.Vertex{At: s.place(p, right, up), Open: 1,
				Normal: p.turned(raster.Vec{-slope, 0, 1}.Unit()), Rest: raster.Vec{right, up, 0}})
			if row > 0 && column > 0 {
				i := int32(len(m.Vertices) - 1)
				above := i - sheetCells - 1
				m.Triangles = append(m.Triangles, raster.Triangle{Corners: [3]int32{i, i - 1, above}, Surface: sheetSurface},
					raster.Triangle{Corners: [3]int32{i - 1, above - 1, above}, Surface: sheetSurface})
			}
		}
	}
	if s.medium == Phone {
		m.Cut = func(at raster.Vec, _ int) bool { return s.edge(at) < 0 }
	}
	return m
}

// edge is how far within the sheet a place on it is, in metres. A phone's corners are round.
func (s sheet) edge(rest raster.Vec) float64 {
	x := s.width/2 - math.Abs(rest[0])
	y := s.height/2 - math.Abs(rest[1]-s.eyes+s.height/2)
	if r := screenCorners; s.medium == Phone && x < r && y < r {
		return r - math.Hypot(r-x, r-y)
	}
	return min(x, y)
}

// paint gives the sheet its colour.
func (s sheet) paint(f *raster.Fragment, l *light) colour {
	view := f.At.Times(-1).Unit()
	picture, _ := s.portrait.at(f.Rest[0]/s.scale, f.Rest[1]/s.scale)
	falls := l.ambient(f.Normal)
	mirrored := l.ambient(f.Normal.Times(2 * f.Normal.Dot(view)).Sub(view))
	gloss, sharp := 0.025, 40.0
	if s.medium == Phone {
		gloss, sharp = 0.03, 400
	}
	shine := mirrored.times(gloss)
	for _, b := range l.beams(f.At, f.Normal, 1) {
		falls = falls.plus(b.of.times(max(0, f.Normal.Dot(b.toward))))
		half := b.toward.Add(view).Unit()
		shine = shine.plus(b.of.times(gloss * (sharp + 8) / 8 * math.Pow(max(0, f.Normal.Dot(half)), sharp)))
	}
	inside := s.edge(f.Rest) > s.border
	if s.medium == Phone {
		if !inside {
			return falls.times(0.012).plus(shine)
		}
		// A phone follows the light about it as far as it can; its pixels beat with those of the sensor.
		about := max(l.around[0].luminance(), l.around[1].luminance(), l.around[4].luminance())
		bright := min(max(0.4*about, 0.0016), 0.1)
		cells := 1 + 0.03*math.Sin(f.Rest[0]*2*math.Pi/0.00042)*math.Sin(f.Rest[1]*2*math.Pi/0.00042)
		return picture.by(colour{0.93, 1, 1.1}).times(bright * cells).plus(shine)
	}
	if !inside {
		return falls.times(0.78).plus(shine)
	}
	ink := colour{0.035, 0.035, 0.04}.plus(picture.by(colour{0.74, 0.72, 0.68})) // ink is never quite black
	return falls.by(ink).plus(shine)
}

// actors are the sheet and who holds it.
func (s sheet) actors(v Visitor) []*actor {
	at := v.eyesOf(bellHeight)
	var all []*actor
	if v.Who != nil {
		holder := v
		holder.Distance, holder.Aside = v.Distance+s.behind, v.Aside+s.beside
		holder.Yaw, holder.Pitch, holder.Roll = 0, 0, 0
		f := holder.figure()
		all = holder.standing(f)
		at = s.before(holder.eyesOf(f.eyes))
	}
	pose := newPose(at, v.Yaw, v.Pitch, v.Roll)
	a := &actor{mesh: s.mesh(pose), paint: s.paint, head: s.head, face: &Face{Who: v.Shows.Of, Distance: v.Distance,
		Yaw: v.Yaw, Pitch: v.Pitch, Roll: v.Roll, Shown: s.medium}}
	var outline []raster.Vec
	for i, mark := range s.portrait.landmarks {
		a.marks[i] = s.place(pose, mark.X*s.scale, mark.Y*s.scale)
	}
	for _, mark := range s.portrait.outline {
		outline = append(outline, s.place(pose, mark.X*s.scale, mark.Y*s.scale))
	}
	a.face.measure(a.marks[:], outline)
	return append(all, a)
}

// before is where the shown eyes are, by those of who holds the sheet: before them or to their side.
func (s sheet) before(eyes raster.Vec) raster.Vec {
	return eyes.Sub(raster.Vec{s.beside, 0.03, 0}).Unit().Times(eyes.Len() - s.behind)
}

// head is how much of the shown head is at a fragment, 0 to 1.
func (s sheet) head(f *raster.Fragment) float64 {
	_, head := s.portrait.at(f.Rest[0]/s.scale, f.Rest[1]/s.scale)
	if s.edge(f.Rest) < s.border {
		return 0
	}
	return head
}
