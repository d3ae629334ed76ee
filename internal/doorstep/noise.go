package doorstep

import (
	"math"
	"sync"

	"lintel/internal/doorstep/raster"
)

// mixed spreads the bits of n, so that numbers side by side have nothing in common (the
// finalizer of SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014).
func mixed(n uint64) uint64 {
	n = (n ^ n>>30) * 0xbf58476d1ce4e5b9
	n = (n ^ n>>27) * 0x94d049bb133111eb
	return n ^ n>>31
}

// chances are numbers from 0 to 1, for the cells of space in an order that doesn't show.
var chances = sync.OnceValue(func() *[1 << 16]float32 {
	var t [1 << 16]float32
	for i := range t {
		t[i] = float32(mixed(uint64(i)+1)>>40) / (1 << 24)
	}
	return &t
})

// How far apart cells lie in the table, by axis: primes, as M. Teschner and others have them for
// hashing cells of space ("Optimized spatial hashing", 2003).
var apart = [3]int{73856093, 19349663, 83492791}

// chance is a number from 0 to 1 that belongs to a cell of space.
func chance(x, y, z int) float64 {
	h := x*apart[0] ^ y*apart[1] ^ z*apart[2]
	return float64(chances()[(h^h>>16)&0xffff])
}

// noise goes smoothly from 0 to 1 over space, with hills about a unit apart.
func noise(p raster.Vec) float64 {
	table := chances()
	var near [3][2]int
	var t [3]float32
	for k := range 3 {
		f := math.Floor(p[k])
		n := int(f) * apart[k]
		near[k] = [2]int{n, n + apart[k]}
		t[k] = float32(p[k] - f)
		t[k] *= t[k] * (3 - 2*t[k])
	}
	var plane [2]float32
	for i, z := range near[2] {
		var line [2]float32
		for j, y := range near[1] {
			a, b := near[0][0]^y^z, near[0][1]^y^z
			left, right := table[(a^a>>16)&0xffff], table[(b^b>>16)&0xffff]
			line[j] = left + t[0]*(right-left)
		}
		plane[i] = line[0] + t[1]*(line[1]-line[0])
	}
	return float64(plane[0] + t[2]*(plane[1]-plane[0]))
}

// clouds are noise with smaller noise on it, 0 to 1, of so many sizes.
func clouds(p raster.Vec, sizes int) float64 {
	sum, whole, k := 0.0, 0.0, 1.0
	for range sizes {
		sum += k * noise(p)
		whole += k
		k /= 2
		p = p.Times(2.03).Add(raster.Vec{17.1, 5.3, 9.7})
	}
	return sum / whole
}
