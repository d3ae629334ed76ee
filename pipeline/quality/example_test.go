package quality_test

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/quality"
)

// What was measured of a face comes in (Measure does that); what it is worth, and what is wrong with it, goes out.
func ExampleJudge() {
	measured := house.Quality{FaceWidth: 120, EyeDistance: 46, PixelsPerMetre: 730, Sharpness: 0.2, Luma: 31,
		Contrast: 0.2, Yaw: 4, Roll: -2}

	score, complaints := quality.Judge(measured)
	fmt.Printf("%.2f of 1, fit to %v\n", score, quality.LevelOf(measured))
	for _, c := range complaints {
		fmt.Printf("%s: %.0f\n", c.Code, c.Value)
	}
	// Output:
	// 0.38 of 1, fit to identify
	// dark: 31
}
