package models_test

import (
	"errors"
	"fmt"
	"log"
	"os"

	"lintel/models"
)

// A folder comes in; what is wrong with each model file in it goes out.
func ExampleCheck() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)

	findings, err := models.Check(dir)
	for _, f := range findings {
		fmt.Println(f.State, f.File.Name, f.File.Licence)
	}
	fmt.Println("to be fetched:", errors.Is(err, models.ErrIncomplete))
	// Output:
	// missing dlib_face_recognition_resnet_model_v1.dat CC0-1.0
	// missing shape_predictor_5_face_landmarks.dat CC0-1.0
	// missing mmod_human_face_detector.dat CC0-1.0
	// missing facefinder MIT
	// to be fetched: true
}
