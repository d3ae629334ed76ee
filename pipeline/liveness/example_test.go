package liveness_test

import (
	"fmt"
	"image"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/liveness"
)

// A face that was examined and earlier faces that look alike come in. If it is a copy of one, the face has a finding
// more, and its level says so.
func ExampleRepeats() {
	rang := time.Date(2026, 11, 30, 18, 0, 0, 0, time.UTC)
	face := house.Face{Box: image.Rect(540, 370, 740, 570), Descriptor: house.Descriptor{0: 0.5}, ImageHash: 0xfaced00d,
		Liveness: &house.Liveness{Level: house.NoSign}}
	yesterday := house.NearDuplicate{Face: face, Visit: "earlier", At: rang.AddDate(0, 0, -1)}

	liveness.Repeats(&face, []house.NearDuplicate{yesterday}, rang)

	fmt.Println(face.Liveness.Level)
	for _, f := range face.Liveness.Findings {
		fmt.Printf("%s: %.0f of 1\n", f.Sign, f.Score)
	}
	// Output:
	// picture
	// repeat: 1 of 1
}

// How a bell looks comes in, and how wide a visitor's face will be goes out.
func ExampleFaceAt() {
	lens := house.Lens{Angle: 110, Projection: house.Straight, Height: 1.4, Tilt: 0}
	for _, metres := range []float64{0.5, 1, 2} {
		fmt.Printf("%.1f m: %.0f pixels of 1280\n", metres, liveness.FaceAt(lens, 1280, metres))
	}
	// Output:
	// 0.5 m: 131 pixels of 1280
	// 1.0 m: 65 pixels of 1280
	// 2.0 m: 33 pixels of 1280
}
