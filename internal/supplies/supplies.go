// Package supplies finds what tests need and the project does not hold: the
// model files, and photographs of real people. They are read where they are.
package supplies

import (
	"os"
	"path/filepath"
	"testing"
)

// Faces returns the folder of face pairs ($LINTEL_FACES, or ../shared/faces
// beside the checkout), and whether it is there.
func Faces() (dir string, ok bool) {
	dir = os.Getenv("LINTEL_FACES")
	if dir == "" {
		dir = filepath.Join(checkout(), "..", "shared", "faces")
	}
	_, err := os.Stat(filepath.Join(dir, "pairs"))
	return dir, err == nil
}

// NeedModels returns the folder of model files ($LINTEL_MODELS, or models in the
// checkout), or skips the test where there is none; where $LINTEL_MODELS names
// one that lacks them, the test fails.
func NeedModels(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("LINTEL_MODELS")
	if dir == "" {
		dir = filepath.Join(checkout(), "models")
	}
	if _, err := os.Stat(filepath.Join(dir, "facefinder")); err != nil {
		if os.Getenv("LINTEL_MODELS") != "" {
			t.Fatal("LINTEL_MODELS names a folder without the model files:", dir)
		}
		t.Skip("SKIPPED: the model files are missing; `make test` fetches them")
	}
	return dir
}

// checkout finds the checkout's root from the folder a test runs in.
func checkout() string {
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		if filepath.Dir(dir) == dir {
			break
		}
		dir = filepath.Dir(dir)
	}
	return "."
}
