// Package fasnet asks two small networks whether a face is a live person or a picture of one.
//
// The networks are MiniFASNet, published with their weights under Apache-2.0; what they were trained on is not
// published. Each looks at a piece of the still, made [Side] pixels wide and high: one at the face and its edge, 2.7
// times the face's box, one at more of what is around it, 4 times. A piece that holds the edge of a sheet or of a
// telephone may say more than the skin does. A box reaches from forehead to chin, wider than dlib's.
//
//	nets, err := fasnet.Load(dir)
//	scores, err := nets.Score(still, face)
//	scores.Live() // 0 to 1
//
// The weights are optional model files (package models has their names and sums); [Load] says when they are not there.
// All runs in Go, without a C library: the layers are few, and most of the work is adding rows of numbers.
//
// The order of layers is that of the networks' publication; what each computes is written after the operations'
// definitions in PyTorch's documentation (Conv2d, BatchNorm2d, PReLU, Linear, softmax) and, for the squeeze and
// excitation of channels, Hu, Shen and Sun, "Squeeze-and-Excitation Networks", 2018, section 3.
package fasnet

import (
	"errors"
	"fmt"
	"image"
	"math"

	"lintel/models"
)

// Nets are both networks. They may be used by many goroutines at once; each call borrows about a megabyte.
type Nets struct {
	Near *Net // looks at 2.7 times the face's box
	Wide *Net // looks at 4 times the face's box
}

// Load reads both networks from the directory of model files. It compares each file's SHA-256 first, and only then
// hands it to a reader of pickles, which is not safe with bytes of unknown origin. The error is [fs.ErrNotExist] if a
// file is not there and [models.ErrMismatch] if it is another than it has to be.
func Load(dir string) (*Nets, error) {
	near, err := load(dir, models.FaceAndEdge, 2.7)
	if err != nil {
		return nil, err
	}
	wide, err := load(dir, models.FaceAndSurroundings, 4)
	if err != nil {
		return nil, err
	}
	return &Nets{Near: near, Wide: wide}, nil
}

func load(dir, name string, scale float64) (*Net, error) {
	path, err := models.Verify(dir, name)
	if err != nil {
		return nil, err
	}
	weights, err := readChecked(path)
	if err == nil {
		var net *Net
		if net, err = newNet(weights, scale); err == nil {
			return net, nil
		}
	}
	return nil, fmt.Errorf("model file %s: %w", name, err)
}

// Live is the class of live persons among those a network tells apart. The others are pictures.
const Live = 1

// Logits are what a network says of the three classes, each any number: the larger, the likelier.
type Logits [3]float32

// Classes returns the softmax of l: what the network makes of each class, 0 to 1, together 1.
func (l Logits) Classes() Classes {
	var c Classes
	most := max(l[0], l[1], l[2])
	sum := 0.0
	for i, v := range l {
		c[i] = math.Exp(float64(v - most))
		sum += c[i]
	}
	for i := range c {
		c[i] /= sum
	}
	return c
}

// Classes are a network's shares of the three classes, each 0 to 1, together 1.
type Classes [3]float64

// Scores are what both networks make of a face.
type Scores struct {
	Near, Wide Classes
}

// Live returns the mean of both networks' share of live persons, 0 to 1. It is no probability: nobody calibrated it.
func (s Scores) Live() float64 { return (s.Near[Live] + s.Wide[Live]) / 2 }

// ErrEmpty is the error where there is nothing to look at: a picture or a face without a pixel.
var ErrEmpty = errors.New("no pixels")

// Score asks both networks about the face. The box is in the still's own coordinates and may reach beyond its edge.
// The error is [ErrEmpty] if the still or the box is empty.
func (n *Nets) Score(still image.Image, face image.Rectangle) (Scores, error) {
	near, err := n.Near.Look(still, face)
	if err != nil {
		return Scores{}, err
	}
	wide, err := n.Wide.Look(still, face)
	if err != nil {
		return Scores{}, err
	}
	return Scores{Near: near.Classes(), Wide: wide.Classes()}, nil
}

// Look runs the network on what it wants to see of the face: the window of its Scale. Errors are those of [Nets.Score].
func (n *Net) Look(still image.Image, face image.Rectangle) (Logits, error) {
	if still.Bounds().Empty() || face.Empty() {
		return Logits{}, fmt.Errorf("looking at face %v in a picture of %v: %w", face, still.Bounds(), ErrEmpty)
	}
	return n.Run(Cut(still, Window(still.Bounds(), face, n.Scale))), nil
}
