package bench

import "math/rand/v2"

// A Range is what a number is drawn from, evenly; with a gap, what is between
// its ends is left out.
type Range struct{ From, To float64 }

func (g Range) draw(r *rand.Rand) float64 { return g.From + (g.To-g.From)*r.Float64() }

// Ranges are what rings are drawn from.
type Ranges struct {
	Name       string
	Seed       uint64
	From, To   int   // identities, by their order in the folder
	Angle      Range // of the lens, degrees
	Bend       Range // of the lens
	Height     Range // of the lens, metres
	Distance   Range // of a person, metres
	Kelvin     Range // colour temperature of the light
	Quality    Range // of the JPEG
	PrintWidth Range // millimetres
	LPI        Range
	PrintBlack Range
	Saturation Range
	SourceBlur Range // of the attacker's photograph, pixels of 700
	Yaw        Range // of a picture in the hand, degrees, either way
	Pitch      Range
	Roll       Range
	PhonePPI   Range
	TabletPPI  Range
	LaptopPPI  Range
	Backlight  Range // kelvin
	Bands      Range
}

// FitRanges are those that weights are fitted on: the first 44 identities.
func FitRanges() Ranges {
	return Ranges{
		Name: "fit", Seed: 1, From: 0, To: 44,
		Angle: Range{70, 105}, Bend: Range{-0.06, 0}, Height: Range{1.1, 1.35}, Distance: Range{0.35, 1.6},
		Kelvin: Range{3800, 8000}, Quality: Range{78, 90},
		PrintWidth: Range{90, 210}, LPI: Range{150, 220}, PrintBlack: Range{0.04, 0.09}, Saturation: Range{0.65, 0.9},
		SourceBlur: Range{0.4, 1.6}, Yaw: Range{0, 16}, Pitch: Range{0, 14}, Roll: Range{0, 8},
		PhonePPI: Range{300, 400}, TabletPPI: Range{200, 264}, LaptopPPI: Range{96, 130},
		Backlight: Range{6400, 9000}, Bands: Range{0.02, 0.10},
	}
}

// HeldOutRanges are those that errors are measured on: the other 24 identities,
// other scenes, and numbers that FitRanges never has for the lens' angle, bend
// and height, the light's colour, the JPEG's quality, the print's width, dots,
// black, colours, the sharpness of the attacker's photograph, the angles a
// picture is held at, the screen's pixels, white and bands. How far off people
// stand is the same, and so are what is drawn without a range here: the kinds
// of walls and clothes, noise, the lens' blur, day and night.
func HeldOutRanges() Ranges {
	return Ranges{
		Name: "held-out", Seed: 2, From: 44, To: 68,
		Angle: Range{106, 130}, Bend: Range{-0.105, -0.061}, Height: Range{1.36, 1.5}, Distance: Range{0.35, 1.6},
		Kelvin: Range{3000, 3790}, Quality: Range{70, 77},
		PrintWidth: Range{211, 300}, LPI: Range{221, 300}, PrintBlack: Range{0.091, 0.12}, Saturation: Range{0.6, 0.649},
		SourceBlur: Range{1.61, 2.4}, Yaw: Range{16.1, 25}, Pitch: Range{14.1, 20}, Roll: Range{8.1, 12},
		PhonePPI: Range{401, 460}, TabletPPI: Range{265, 330}, LaptopPPI: Range{131, 220},
		Backlight: Range{6000, 6390}, Bands: Range{0.101, 0.15},
	}
}
