// Package models brings and checks the files Lintel recognises faces with.
//
//	err := models.Fetch(ctx, dir, models.FetchOptions{Progress: os.Stderr})
//	findings, err := models.Check(dir)
//
// Recognising a face takes numbers that somebody learned from very many photographs: where the corners of the eyes are,
// what makes two faces different. These numbers come as model files, and a model file that is not the very one the
// thresholds were measured with makes every answer worthless without making any of them look wrong. So each file is
// named here with its size and its SHA-256, and nothing else is ever used in its place.
//
//   - [Check] reads the files in a directory and says of each whether it is right, missing or wrong. [Present] only
//     looks whether they are there, which is enough for the start of a server that checked them when they were fetched.
//   - [Fetch] brings what [Check] finds missing or wrong. When nothing is, it opens no connection at all.
//
// The files are not Lintel's own and are not kept with its source. Three places have them:
//
//   - Debian's source package dlib. Fetch has apt download it, so that the machine's mirror and proxy are used, but on
//     settings and lists in a directory of Fetch's own: nothing in /etc/apt or /var/lib/apt is changed, and an
//     ordinary user may do it. Its signatures are not asked for, since each file's SHA-256 is known.
//   - The Go module github.com/esimov/pigo, through the go command, in the version the program was built with.
//   - For the optional files, their publisher's address on the public network. Where it can't be reached Fetch says so,
//     and how to bring them by hand, and goes on without.
//
// Only Fetch connects to anything. The server never calls it.
//
// A file is unpacked under another name, compared with its SHA-256, made durable, and only then given its name: a
// file that carries a model's name is whole, whatever interrupted the fetching.
//
// The package uses no C library, so that it works before those are installed.
package models

import "slices"

// Kind says what a model file is for, and so whether Lintel does without it.
type Kind int

const (
	// Required files are needed to recognise faces at all. They are always checked and always fetched.
	Required Kind = iota
	// Research files may not be used commercially. Nothing fetches or uses them unless told to.
	Research
	// Example files are photographs with faces marked by hand, for Lintel's tests.
	Example
	// Optional files make Lintel better at something it does without them too. They are fetched where they can be.
	Optional
)

// Origin is a place model files come from.
type Origin int

const (
	// DlibModels is the archive orig-dlib-models of Debian's source package dlib.
	DlibModels Origin = iota
	// Dlib is the main archive of Debian's source package dlib.
	Dlib
	// Pigo is the Go module github.com/esimov/pigo.
	Pigo
	// Publisher is the public repository that the optional files were published in, at one commit.
	Publisher
)

// String returns the origin in words that tell a person where to look.
func (o Origin) String() string {
	switch o {
	case DlibModels:
		return "Debian's source package dlib, archive orig-dlib-models"
	case Dlib:
		return "Debian's source package dlib, archive orig"
	case Pigo:
		return "Go module " + pigoModule
	case Publisher:
		return publisher
	}
	return "unknown"
}

// File is one model file as it has to be.
type File struct {
	Name    string // below the models directory, with slashes
	Size    int64  // bytes
	SHA256  string // 64 lower-case hexadecimal digits
	Licence string
	Kind    Kind
	Origin  Origin
	Path    string // below the origin's top directory, with slashes
}

const (
	// The model archive's LICENSE is CC0 1.0, and its README says the author has "released them into the public domain".
	cc0 = "CC0-1.0"
	// The same README excepts this one model, for the terms of the photographs it was trained on.
	researchOnly = "research only"
	mit          = "MIT"
	apache       = "Apache-2.0"
	// The archive's XML files name PASCAL VOC 2011 as the photographs' source and give no licence for them.
	unstated = "not stated for the photographs: tests only, do not pass on"
)

// Names of the optional files, networks that tell live faces from pictures of faces. Package fasnet runs them.
const (
	FaceAndEdge         = "2.7_80x80_MiniFASNetV2.pth"     // looks at a face and its edge
	FaceAndSurroundings = "4_0_0_80x80_MiniFASNetV1SE.pth" // looks at more of what is around it
)

// The sums and sizes are of dlib 19.24+dfsg-1 (Debian 12). The model files of 19.24.6+dfsg-1 (Debian 13) are the same;
// its photographs have not been compared.
var files = []File{
	{"dlib_face_recognition_resnet_model_v1.dat", 22466066,
		"55533b28a95800a551ba546ba62fe69625c7e95a7061c338adffead08719da30", cc0, Required, DlibModels,
		"dlib_face_recognition_resnet_model_v1.dat"},
	{"shape_predictor_5_face_landmarks.dat", 9150489, "c4b1e9804792707d3a405c2c16a80a20269e6675021f64a41d30fffafbc41888",
		cc0, Required, DlibModels, "shape_predictor_5_face_landmarks.dat"},
	{"mmod_human_face_detector.dat", 729940, "be467b1a76f482693de3b0f6a1ff91d092319be71523d4d4b0628f6a53fcb87a", cc0,
		Required, DlibModels, "mmod_human_face_detector.dat"},
	{"facefinder", 239632, "d8014993e7298c7b1865d1f8b855d6dbf4ec5c808bf879e2091ab6837abf90cd", mit, Required, Pigo,
		"cascade/facefinder"},
	{"shape_predictor_68_face_landmarks.dat", 99693937,
		"fbdc2cb80eb9aa7a758672cbfdda32ba6300efe9b6e6c7a299ff7e736b11b92f",
		researchOnly, Research, DlibModels, "shape_predictor_68_face_landmarks.dat"},
	{FaceAndEdge, 1849453, "a5eb02e1843f19b5386b953cc4c9f011c3f985d0ee2bb9819eea9a142099bec0", apache, Optional,
		Publisher,
		"resources/anti_spoof_models/" + FaceAndEdge},
	{FaceAndSurroundings, 1856130, "84ee1d37d96894d5e82de5a57df044ef80a58be2b218b5ed7cdfd875ec2f5990", apache, Optional,
		Publisher, "resources/anti_spoof_models/" + FaceAndSurroundings},
	{"examples/2007_007763.jpg", 89619, "17d9897dd55d38179f51dc18371b3f4495a606aaa2846e25a3cb6a58b3a97c89", unstated,
		Example, Dlib, "examples/faces/2007_007763.jpg"},
	{"examples/2008_001009.jpg", 41770, "2509864113a286bf245161d0317a18c38b6a6641135969847a7e59dff359c52c", unstated,
		Example, Dlib, "examples/faces/2008_001009.jpg"},
	{"examples/2008_001322.jpg", 65344, "2ea5a60f5347baab8da6eccce43b0320d63da1368d7710fb15cbff8a790bc626", unstated,
		Example, Dlib, "examples/faces/2008_001322.jpg"},
	{"examples/2008_002079.jpg", 92641, "f929bdf416d756b37eb90c119b892eba5d21041b134883e18d827bce641fb48f", unstated,
		Example, Dlib, "examples/faces/2008_002079.jpg"},
	{"examples/2008_002470.jpg", 91349, "14b543e3ac55b497aaaba9dc03a39be04c8ae670851b3f78f9f5adb08295d780", unstated,
		Example, Dlib, "examples/faces/2008_002470.jpg"},
	{"examples/2008_002506.jpg", 79316, "ede6804edf0ec005144ffe7f0f2b56bd2aa1d21beee79d29f72cb16ead19a447", unstated,
		Example, Dlib, "examples/faces/2008_002506.jpg"},
	{"examples/2008_004176.jpg", 93821, "92a075f5e1d279f009ab4809592aaf0109e429adf3266e5aa8ce2755730b41c2", unstated,
		Example, Dlib, "examples/faces/2008_004176.jpg"},
	{"examples/2008_007676.jpg", 110034, "09a0e07d6fb3b4276e73b9f6450b5c69d97d3e3b75807948caf6defd40260e6f", unstated,
		Example, Dlib, "examples/faces/2008_007676.jpg"},
	{"examples/2009_004587.jpg", 79462, "2dc5d52a5388499cf912d7d99dc9d05e4bec7651153331f40e81ae4813bb317c", unstated,
		Example, Dlib, "examples/faces/2009_004587.jpg"},
	{"examples/bald_guys.jpg", 648373, "e0c40697dbd9a07684274f71760bc5161468e926ba75ff90d48b168019402e8b", unstated,
		Example, Dlib, "examples/faces/bald_guys.jpg"},
	{"examples/dogs.jpg", 175216, "66e22f8c3bd3b8f876ad9158caaa064992d2b56a5681d9c6efa163a59db7ed03", unstated, Example,
		Dlib, "examples/faces/dogs.jpg"},
	{"examples/testing.xml", 1960, "25abc4cb274b5e8c15266d1450509fb834042dcfd5f92ae52853268129ac734f", unstated, Example,
		Dlib, "examples/faces/testing.xml"},
	{"examples/training.xml", 1512, "7bcac38904f4b7f5086ff0eda080ac32c0043f8c62c9c72da5a09c4d81254423", unstated, Example,
		Dlib, "examples/faces/training.xml"},
}

// Files returns the required files and those of the kinds asked for besides.
func Files(kinds ...Kind) []File {
	return ofKinds(files, kinds)
}

func ofKinds(files []File, kinds []Kind) []File {
	var chosen []File
	for _, f := range files {
		if f.Kind == Required || slices.Contains(kinds, f.Kind) {
			chosen = append(chosen, f)
		}
	}
	return chosen
}
