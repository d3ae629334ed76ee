package doorstep

import (
	"image"
	"math"
	"slices"

	"lintel/internal/doorstep/raster"
)

// An actor is one thing before the stage: somebody, or what is held.
type actor struct {
	mesh  *raster.Mesh
	light *light
	paint func(*raster.Fragment, *light) colour
	face  *Face                          // nil on what has none
	head  func(*raster.Fragment) float64 // how much of it is the face's head
	marks [5]raster.Vec                  // the face's landmarks in space
}

// eyesOf is the place between a visitor's eyes: as high as they are tall, but who is near bends down.
func (v Visitor) eyesOf(height float64) raster.Vec {
	up := min(max(height-bellHeight, -0.4*v.Distance), 0.4*v.Distance)
	aside := min(max(v.Aside, -0.85*v.Distance), 0.85*v.Distance)
	return raster.Vec{aside, up, math.Sqrt(v.Distance*v.Distance - up*up - aside*aside)}
}

// actors are all that a scene has before its stage, in the plate's light.
func (s Scene) actors(p *plate) []*actor {
	var all []*actor
	for _, v := range s.Visitors {
		all = append(all, v.actors()...)
	}
	meshes := make([]*raster.Mesh, len(all))
	for i, a := range all {
		meshes[i] = a.mesh
	}
	shadows := p.shadows(meshes)
	for _, a := range all {
		a.light = p.lightAt(a.mesh.Vertices[0].At)
		a.light.shadows = shadows
	}
	return all
}

// actors are a visitor and what they carry or show.
func (v Visitor) actors() []*actor {
	if v.Shows.As != Nothing {
		return v.Shows.sheet().actors(v)
	}
	return v.standing(v.figure())
}

// standing is the visitor alone, whose figure it is.
func (v Visitor) standing(f *figure) []*actor {
	pose := newPose(v.eyesOf(f.eyes), v.Yaw, v.Pitch, v.Roll)
	a := &actor{mesh: f.posed(pose), face: &Face{Who: v.Who, Distance: v.Distance,
		Yaw: v.Yaw, Pitch: v.Pitch, Roll: v.Roll}}
	a.head = func(seen *raster.Fragment) float64 {
		if !f.head(seen.Surface) || seen.Surface == skinSurface && turns(seen.Rest) < 0.5 {
			return 0 // what is skin below the chin is neck and hands
		}
		return 1
	}
	a.paint = func(seen *raster.Fragment, l *light) colour { return f.paint(seen, pose.turned, l) }
	for i, mark := range f.landmarks {
		a.marks[i] = f.place(pose, mark, 1)
	}
	outline := make([]raster.Vec, len(f.outline))
	for i, at := range f.outline {
		outline[i] = f.place(pose, at, 1)
	}
	a.face.measure(a.marks[:], outline)
	if v.Carrying && v.Shows.As == Nothing {
		return []*actor{a, f.parcel(pose)}
	}
	return []*actor{a}
}

// measure works out where a face is seen.
func (f *Face) measure(marks, outline []raster.Vec) {
	var seen []raster.Vec
	for i, at := range marks {
		x, y, _ := project(at)
		f.Landmarks[i] = Point{x, y}
	}
	for _, at := range append(outline, marks...) {
		x, y, depth := project(at)
		seen = append(seen, raster.Vec{x, y, depth})
	}
	f.Box = frame(seen).Intersect(image.Rect(0, 0, Width, Height))
}

// frame is the rectangle of pixels about places on the still.
func frame(seen []raster.Vec) image.Rectangle {
	left, top, right, bottom := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, at := range seen {
		left, right = min(left, at[0]), max(right, at[0])
		top, bottom = min(top, at[1]), max(bottom, at[1])
	}
	whole := func(v float64) int { return int(math.Floor(v + 0.5)) }
	return image.Rect(whole(left), whole(top), whole(right)+1, whole(bottom)+1)
}

// shadows are what the meshes take from the sun, the lamp and the sky, nil where those don't shine.
func (p *plate) shadows(meshes []*raster.Mesh) (shadows [3]*shadow) {
	var middle raster.Vec
	n := 0.0
	for _, m := range meshes {
		for i := range m.Vertices {
			middle = middle.Add(m.Vertices[i].At)
		}
		n += float64(len(m.Vertices))
	}
	if n == 0 {
		return shadows
	}
	middle = middle.Times(1 / n)
	radius := 0.0
	for _, m := range meshes {
		for i := range m.Vertices {
			radius = max(radius, m.Vertices[i].At.Sub(middle).Len())
		}
	}
	if p.day.sun.of != (colour{}) {
		shadows[0] = newShadow(meshes, p.day.sun.toward, middle, radius, sharp)
	}
	if lamp := p.lamp(); lamp.of != (colour{}) {
		shadows[1] = newShadow(meshes, lamp.at.Sub(middle).Unit(), middle, radius, 2*sharp)
	} else {
		shadows[2] = newShadow(meshes, overEaves, middle, radius, 4*sharp)
	}
	return shadows
}

const band = 128 // rows that are drawn at once

// draw puts the actors before the stage, whose light is given, as far as they are in a part of the still, and finds
// their faces.
func (p *plate) draw(all []*actor, light []float32, part image.Rectangle) []Face {
	if len(all) == 0 {
		return nil
	}
	p.shade(all[0].light.shadows[0], light, part)
	var bounds image.Rectangle
	places := make([][]raster.Vec, len(all))
	for i, a := range all {
		if a.face != nil {
			a.face.Mask = image.NewAlpha(image.Rect(0, 0, Width, Height))
		}
		places[i] = a.mesh.Through(project)
		bounds = bounds.Union(frame(places[i]))
	}
	bounds = bounds.Intersect(part)
	hidden := make([][5]bool, len(all))
	rows((bounds.Dy()+band-1)/band, func(row int) {
		strip := bounds
		strip.Min.Y += row * band
		strip.Max.Y = min(strip.Max.Y, strip.Min.Y+band)
		b := raster.New(strip, 2)
		for i, a := range all {
			b.Draw(a.mesh, places[i])
		}
		b.Each(func(x, y int, seen []raster.Fragment) { paint(all, light, x, y, seen) })
		for i, a := range all {
			for k, mark := range a.marks {
				x, y, depth := project(mark)
				if d, hit := b.Depth(int(x+0.5), int(y+0.5)); hit && d < depth-0.1 {
					hidden[i][k] = true
				}
			}
		}
	})
	return seen(all, hidden)
}

// paint puts what is seen in a pixel on top of its light.
func paint(all []*actor, light []float32, x, y int, seen []raster.Fragment) {
	i := y*Width + x
	var sum colour
	covered := 0.0
	for k := range seen {
		f := &seen[k]
		a := all[f.Mesh]
		sum = sum.plus(a.paint(f, a.light).times(f.Coverage))
		covered += f.Coverage
		if a.face != nil {
			at := &a.face.Mask.Pix[i]
			*at = uint8(min(255, float64(*at)+255*f.Coverage*a.head(f)+0.5))
		}
	}
	for c := range 3 {
		light[3*i+c] = light[3*i+c]*float32(1-covered) + float32(sum[c])
	}
}

// seen are the faces of which at least three landmarks are on the still and not behind something, from the left.
func seen(all []*actor, hidden [][5]bool) (faces []Face) {
	for i, a := range all {
		if a.face == nil {
			continue
		}
		n := 0
		for k, mark := range a.face.Landmarks {
			if !hidden[i][k] && mark.X >= 0 && mark.X <= Width-1 && mark.Y >= 0 && mark.Y <= Height-1 {
				n++
			}
		}
		if n >= 3 {
			faces = append(faces, *a.face)
		}
	}
	slices.SortFunc(faces, func(a, b Face) int { return a.Box.Min.X - b.Box.Min.X })
	return faces
}

// shade takes the sun from where visitors stand before it.
func (p *plate) shade(s *shadow, light []float32, part image.Rectangle) {
	if s == nil {
		return
	}
	rows(part.Dy(), func(row int) {
		y := part.Min.Y + row
		for x := part.Min.X; x < part.Max.X; x++ {
			i := y*Width + x
			if sunlit := float64(p.sunlit[i]) / 255; sunlit > 0.02 && p.stage.spots[i].far < 9 {
				open := s.open(ray(float64(x), float64(y)).Times(float64(p.stage.spots[i].far)))
				for c := range 3 {
					light[3*i+c] *= float32(1 - sunlit*(1-open))
				}
			}
		}
	})
}
