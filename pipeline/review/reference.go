package review

import (
	"cmp"
	"crypto/sha256"

	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// Fault says why a face makes no reference, nil if it does. Where nothing was
// measured of its quality only its width tells.
func Fault(f house.Face) *quality.Complaint {
	if f.Quality != nil {
		if _, complaints := quality.Judge(*f.Quality); len(complaints) > 0 {
			return &complaints[0]
		}
		return nil
	}
	if f.Width() < quality.MinWidth {
		return &quality.Complaint{Code: "small", Value: float64(f.Width())}
	}
	return nil
}

// referenceFrom makes a reference of a face on a still, for [Fault] finds nothing
// wrong with it. The still's id stands for the picture: its bytes change where it
// is masked or made smaller.
func referenceFrom(x house.Sighting, person string) house.Reference {
	return house.Reference{
		Person: person, Descriptor: x.Face.Descriptor, FaceWidth: widthOf(x.Face), Quality: scoreOf(x.Face),
		SourceSHA256: sha256.Sum256([]byte("still " + x.Still)),
	}
}

// better puts the face first that would make the better reference: by its
// quality, and by its width where that was not measured.
func better(a, b house.Sighting) int {
	return cmp.Or(cmp.Compare(scoreOf(b.Face), scoreOf(a.Face)), widthOf(b.Face)-widthOf(a.Face))
}

// scoreOf is a face's quality, 0 where it was not measured.
func scoreOf(f house.Face) float64 {
	if f.Quality == nil {
		return 0
	}
	score, _ := quality.Judge(*f.Quality)
	return score
}

// widthOf is a face's width in pixels of the still as it was examined; smaller
// ones may have taken its place.
func widthOf(f house.Face) int {
	if f.Quality != nil {
		return f.Quality.FaceWidth
	}
	return f.Width()
}
