package view

import (
	"fmt"
	"net/url"

	"lintel/internal/house"
	"lintel/pipeline/small"
)

// A Picture is what an img of a page needs, in points of the screen: Src has the
// pixels for one each, SrcSet for one and for two.
type Picture struct {
	Src, SrcSet   string // "" where there is nothing to show
	Width, Height int
	Alt           string
}

// StillOf is a still, shown so many points wide, or less where it has fewer pixels.
func (t Presenter) StillOf(s house.Still, width int) Picture {
	if s.File == "" || s.Width == 0 {
		return Picture{}
	}
	width = min(width, s.Width)
	p := pictureOf(func(pixels int) string {
		if pixels > width { // a screen of two pixels a point shows one and a half as well, at half the bytes
			pixels = 3 * width / 2
		}
		return t.Small(s, atLeast(small.Widths, min(pixels, s.Width)))
	}, width)
	if s.State == house.Pending { // there is no smaller one yet, and whoever looks waits to see who rang
		p.Src, p.SrcSet = StillAddress(s), StillAddress(s)+" 1x"
	}
	p.Height = max(1, (s.Height*width+s.Width/2)/s.Width)
	p.Alt = t.Words.Text("picture-still")
	return p
}

// FaceOf is the square around a face of a still, by its place there from 0 on, shown
// so many points wide and high.
func (t Presenter) FaceOf(s house.Still, face, side int) Picture {
	p := pictureOf(func(pixels int) string { return t.FacePicture(s, face, atLeast(small.Sizes, pixels)) }, side)
	if p.Src == "" {
		return Picture{}
	}
	p.Height, p.Alt = side, t.Words.Text("picture-stranger")
	switch f := s.Faces[face]; {
	case f.Said != nil && f.Said.Name != "":
		p.Alt = t.Words.Text("picture-said", "Name", f.Said.Name)
	case f.Recognised() != nil && f.Match.Name != "":
		p.Alt = t.Words.Text("picture-person", "Name", f.Match.Name)
	}
	return p
}

// pictureOf asks for the addresses of a picture that is so many points wide.
func pictureOf(address func(pixels int) string, width int) Picture {
	p := Picture{Src: address(width), Width: width}
	if twice := address(2 * width); twice != p.Src {
		p.SrcSet = fmt.Sprintf("%s 1x, %s 2x", p.Src, twice)
	} else if p.Src != "" {
		p.SrcSet = p.Src + " 1x"
	}
	return p
}

// atLeast returns the first of some sizes that is no less than so many pixels, or the
// last.
func atLeast(sizes []int, pixels int) int {
	for _, size := range sizes {
		if size >= pixels {
			return size
		}
	}
	return sizes[len(sizes)-1]
}

// Small is where a still is seen, made as wide as one of [small.Widths]; "" where it is
// gone. It is an address of the reader's session alone, and changes when another
// picture takes the still's place.
func (t Presenter) Small(s house.Still, width int) string {
	if s.File == "" {
		return ""
	}
	return fmt.Sprintf("/api/v1/visits/%s/stills/%d/small/%d?", url.PathEscape(s.Visit), s.Frame, width) + t.picked(s.File)
}

// FacePicture is where the square around a face of a still is seen, as wide and high as
// one of [small.Sizes]; "" where it is gone, or there is no such face.
func (t Presenter) FacePicture(s house.Still, face, size int) string {
	if s.File == "" || face < 0 || face >= len(s.Faces) || s.Faces[face].ID == "" {
		return ""
	}
	return t.pictureOfFace(s.Faces[face].ID, s.File, size)
}

// Portrait is a face that was seen, as [Presenter.FaceOf] shows one.
func (t Presenter) Portrait(x house.Sighting, side int) Picture {
	face := x.Face
	face.ID = x.ID
	return t.FaceOf(house.Still{Visit: x.Visit, Frame: x.Frame, File: x.File, Faces: []house.Face{face}}, 0, side)
}

func (t Presenter) pictureOfFace(face, file string, size int) string {
	return fmt.Sprintf("/api/v1/faces/%s/picture/%d?", url.PathEscape(face), size) + t.picked(file)
}

// picked is the query that says which file a picture was made of, and for whose
// session the address is.
func (t Presenter) picked(file string) string {
	q := url.Values{"of": {PictureOf(file)}}
	if t.PictureKey != "" {
		q.Set("k", t.PictureKey)
	}
	return q.Encode()
}

// PictureOf is how addresses of pictures name a still's file.
func PictureOf(file string) string { return file[:min(8, len(file))] }
