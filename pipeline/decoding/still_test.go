package decoding

import (
	"bytes"
	"image"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"lintel/internal/doorstep"
)

// Outside: what image/jpeg allocates for a drawn still, and for the JPEGs that the
// Go toolchain carries for its tests.
func TestStillMemory(t *testing.T) {
	drawn := filepath.Join(t.TempDir(), "drawn.jpg")
	if err := os.WriteFile(drawn, doorstep.Scene{Seed: 1}.Still().JPEG(85), 0o600); err != nil {
		t.Fatal(err)
	}
	files := []string{drawn}
	if root, err := exec.Command("go", "env", "GOROOT").Output(); err == nil {
		more, err := filepath.Glob(filepath.Join(strings.TrimSpace(string(root)), "src", "image", "testdata", "*.jpeg"))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, more...)
	}
	const beside = 40 << 10 // what decoding takes besides, whatever the picture is
	for _, file := range files {
		still, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(file, "rgb") || strings.Contains(file, "cmyk") || strings.Contains(file, "truncated") {
			continue // none is ever stored
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if _, err := jpeg.Decode(bytes.NewReader(still)); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		runtime.ReadMemStats(&after)
		took, said := int64(after.TotalAlloc-before.TotalAlloc), StillMemory(still)
		if said == 0 || took > said*5/4+beside { // blocks reach beyond the edges of these small pictures
			t.Errorf("%s: %d bytes were said, %d taken", filepath.Base(file), said, took)
		}
	}
}

// Outside: image/jpeg's own reading of the header.
func FuzzStillMemory(f *testing.F) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 30, 20)), nil); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add(b.Bytes()[:20])
	f.Add([]byte("\xff\xd8\xff\xc2\x00\x0b\x08\x13\x88\x13\x88\x01\x01\x11\x00"))
	f.Add([]byte("\xff\xd8\xff\xfe\x00\x00\xff\xfe\xff\xff"))
	f.Fuzz(func(t *testing.T, still []byte) {
		said := StillMemory(still)
		c, err := jpeg.DecodeConfig(bytes.NewReader(still))
		if pixels := int64(c.Width) * int64(c.Height); err == nil && said != 0 && said != 3*pixels && said != 15*pixels {
			t.Errorf("%d bytes for %d pixels", said, pixels)
		}
	})
}
