package match_test

import (
	"fmt"

	"lintel/internal/house"
	"lintel/pipeline/match"
)

// The gallery and a face on two frames of a ring come in; who it probably is, and how sure that is, goes out.
func ExampleGallery_Identify() {
	ada, bo := house.Descriptor{0: 1}, house.Descriptor{1: 1}
	gallery := match.NewGallery([]house.Reference{
		{Person: "ada", Descriptor: ada, Quality: 0.9},
		{Person: "bo", Descriptor: bo, Quality: 0.9},
	}, match.Shipped(), match.DefaultPrior)

	first, second := ada, ada
	first[2], second[3] = 0.3, 0.32
	found := gallery.Identify(match.Probe{Descriptor: first, Weight: 1}, match.Probe{Descriptor: second, Weight: 0.5})
	fmt.Printf("%s, %s, by %d frames\n", found.Person, found.Band, found.Frames)

	stranger := house.Descriptor{4: 1}
	fmt.Println(gallery.Identify(match.Probe{Descriptor: stranger, Weight: 1}) == nil)
	// Output:
	// ada, strong, by 2 frames
	// true
}

// One distance means less the larger a gallery is.
func ExampleBandOf() {
	for _, references := range []int{1, 10, 100, 1000} {
		fmt.Println(references, match.BandOf(0.30, references))
	}
	// Output:
	// 1 strong
	// 10 fair
	// 100 weak
	// 1000 none
}
