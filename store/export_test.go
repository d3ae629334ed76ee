package store

// What tests of the package share with those from outside, which can back up.
var (
	TestKey = testKey
	StillOf = stillOf
	FaceOf  = faceOf
	Halves  = halves
)
