package intake

import (
	"bytes"
	"image"
	"image/color"
	"testing"
)

// keptRows returns how many rows from the top are not the grey that stands for
// a missing part.
func keptRows(m image.Image) int {
	b := m.Bounds()
	for y := b.Max.Y; y > b.Min.Y; y-- {
		for x := b.Min.X; x < b.Max.X; x++ {
			if !near(m.At(x, y-1), color.Gray{Y: 128}) {
				return y
			}
		}
	}
	return 0
}

// TestCleanKeepsWhatCameThrough cuts baseline JPEGs at every 5 % of their
// length and compares the rows that are kept with those of the whole picture.
func TestCleanKeepsWhatCameThrough(t *testing.T) {
	t.Parallel()
	tests := map[string]struct {
		read func(testing.TB) []byte
		mcu  int     // pixels of a row of minimum coded units
		db   float64 // less where the new encoding halves the resolution of saturated colours
	}{
		"colour":  {func(tb testing.TB) []byte { return asJPEG(tb, scene(320, 240)) }, 16, 35},
		"grey":    {func(tb testing.TB) []byte { return asJPEG(tb, rgbToGrey(scene(320, 240))) }, 8, 35},
		"4:4:4":   {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.q50.444.jpeg") }, 8, 35},
		"4:4:0":   {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.q50.440.jpeg") }, 16, 35},
		"4:2:2":   {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.q50.422.jpeg") }, 8, 35},
		"restart": {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.restart2.jpeg") }, 16, 35},
		"RGB":     {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.rgb.jpeg") }, 8, 28},
		"CMYK":    {func(tb testing.TB) []byte { return goImage(tb, "testdata/video-001.cmyk.jpeg") }, 8, 30},
	}
	for name, test := range tests {
		t.Run(name, func(t *testing.T) {
			whole := test.read(t)
			want := decodeJPEG(t, whole)
			height := want.Bounds().Dy()
			data := bytes.Index(whole, []byte{0xff, 0xda})
			latest := 0
			for percent := 5; percent < 100; percent += 5 {
				cut := len(whole) * percent / 100
				s, err := Clean(whole[:cut])
				if err != nil {
					if share := (cut - data) * height / (len(whole) - data); share > 4*test.mcu {
						t.Errorf("at %d %%: nothing kept: %v", percent, err)
					}
					continue
				}
				checkStill(t, s)
				if !s.Damaged {
					t.Errorf("at %d %%: not Damaged", percent)
				}
				if picture(t, s).Bounds() != want.Bounds() {
					t.Fatalf("at %d %%: bounds %v", percent, picture(t, s).Bounds())
				}
				rows := keptRows(picture(t, s))
				if rows < latest {
					t.Errorf("at %d %%: %d rows, fewer than of a shorter file", percent, rows)
				}
				latest = rows
				sure := image.Rect(0, 0, want.Bounds().Dx(), rows-test.mcu)
				if sure.Empty() {
					continue
				}
				if db := psnr(picture(t, s), want, sure); db < test.db {
					t.Errorf("at %d %%: %.1f dB in %d rows", percent, db, sure.Dy())
				}
			}
			if latest < height*8/10 {
				t.Errorf("%d of %d rows of 95 %% of the file", latest, height)
			}
		})
	}
}

// TestCleanKeepsAProportion holds the rows kept of a picture that is equally
// busy everywhere against the share of its data that came through.
func TestCleanKeepsAProportion(t *testing.T) {
	t.Parallel()
	const height, mcu = 480, 16
	whole := asJPEG(t, scene(640, height))
	data := bytes.Index(whole, []byte{0xff, 0xda})
	for percent := 20; percent < 100; percent += 10 {
		cut := data + (len(whole)-data)*percent/100
		rows := keptRows(picture(t, mustClean(t, whole[:cut])))
		if share := height * percent / 100; rows < share-height/10-mcu || rows > share+height/10 {
			t.Errorf("%d of %d rows of %d %% of the data", rows, height, percent)
		}
	}
}

// TestCleanKeepsEarlierScans cuts progressive JPEGs at every 5 %. All of the
// picture is there once its first scan is, and it gets better.
func TestCleanKeepsEarlierScans(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"video-001.progressive.jpeg",
		"video-001.q50.420.progressive.jpeg",
		"video-001.q50.444.progressive.jpeg",
		"video-001.separate.dc.progression.progressive.jpeg",
		"video-005.gray.q50.progressive.jpeg",
	} {
		t.Run(name, func(t *testing.T) {
			whole := goImage(t, "testdata/"+name)
			want := decodeJPEG(t, whole)
			best := 0.0
			for percent := 5; percent < 100; percent += 5 {
				s, err := Clean(whole[:len(whole)*percent/100])
				if err != nil {
					if percent > 25 {
						t.Errorf("at %d %%: nothing kept: %v", percent, err)
					}
					continue
				}
				checkStill(t, s)
				if !s.Damaged {
					t.Errorf("at %d %%: not Damaged", percent)
				}
				db := psnr(picture(t, s), want, want.Bounds())
				if db < best-0.5 {
					t.Errorf("at %d %%: %.1f dB, less than the %.1f dB of a shorter file", percent, db, best)
				}
				best = max(best, db)
				t.Logf("%d %%: %.1f dB", percent, db)
			}
			if best < 26 { // the last scan refines most coefficients
				t.Errorf("%.1f dB at best", best)
			}
		})
	}
}

// TestCleanTruncatedProgressive has the Go toolchain's truncated progressive
// JPEG and the picture its tests hold it against.
func TestCleanTruncatedProgressive(t *testing.T) {
	s := mustClean(t, goImage(t, "testdata/video-001.progressive.truncated.jpeg"))
	checkStill(t, s)
	if !s.Damaged {
		t.Error("not Damaged")
	}
	whole := decodeJPEG(t, goImage(t, "testdata/video-001.progressive.jpeg"))
	if db := psnr(picture(t, s), whole, whole.Bounds()); db < 20 {
		t.Errorf("%.1f dB", db)
	}
}

// TestCleanCompletes has JPEGs that lack only their end marker, or a part of it.
func TestCleanCompletes(t *testing.T) {
	for _, name := range ycbcrFiles {
		t.Run(name, func(t *testing.T) {
			whole := goImage(t, "testdata/"+name)
			want := mustClean(t, whole)
			for missing := 1; missing <= 2; missing++ {
				s := mustClean(t, whole[:len(whole)-missing])
				checkStill(t, s)
				if s.Damaged {
					t.Errorf("without the last %d bytes: Damaged", missing)
				}
				if !bytes.Equal(s.JPEG, want.JPEG) {
					t.Errorf("without the last %d bytes: not the same still", missing)
				}
			}
		})
	}
}

// TestCleanLacksColours cuts a JPEG with a scan for each component after the
// first one. Without Cb and Cr it is a grey picture, not a green one.
func TestCleanLacksColours(t *testing.T) {
	const name = "testdata/video-001.separate.dc.progression.progressive.jpeg"
	whole := goImage(t, name)
	s := mustClean(t, whole[:afterScans(whole)[0]+20])
	checkStill(t, s)
	if !s.Damaged {
		t.Error("not Damaged")
	}
	m := picture(t, s)
	b := m.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			if c := m.At(x, y); !near(c, color.GrayModel.Convert(c)) {
				t.Fatalf("(%d, %d) is %v", x, y, c)
			}
		}
	}
	if rows := keptRows(picture(t, s)); rows < b.Dy()-16 {
		t.Errorf("%d of %d rows", rows, b.Dy())
	}
}

// TestCleanBroken breaks the entropy-coded data in the middle instead of
// cutting it: everything after it is there, and of no use.
func TestCleanBroken(t *testing.T) {
	const width, height, mcu = 320, 240, 16
	m := scene(width, height)
	whole := asJPEG(t, m)
	want := decodeJPEG(t, whole)
	data := bytes.Index(whole, []byte{0xff, 0xda}) + 14
	middle := data + (len(whole)-data)/2
	tests := map[string][]byte{
		"end of image":      {0xff, 0xd9},
		"start of image":    {0xff, 0xd8},
		"comment":           {0xff, 0xfe, 0x00, 0x40},
		"tables":            {0xff, 0xc4, 0x00, 0x10},
		"quantization":      {0xff, 0xdb, 0x00, 0x43},
		"another frame":     {0xff, 0xc0, 0x00, 0x11},
		"another scan":      {0xff, 0xda, 0x00, 0x0c, 3, 1, 0, 2, 0x11, 3, 0x11, 0, 63, 0},
		"reserved marker":   {0xff, 0x02},
		"filled, no marker": {0xff, 0xff, 0x00},
		"past the end":      {0xff, 0xc4, 0xff, 0xff},
	}
	for name, with := range tests {
		t.Run(name, func(t *testing.T) {
			body := bytes.Clone(whole)
			copy(body[middle:], with)
			s := mustClean(t, body)
			checkStill(t, s)
			if !s.Damaged {
				t.Error("not Damaged")
			}
			rows := keptRows(picture(t, s))
			if rows < height*4/10 || rows > height*6/10 {
				t.Errorf("%d of %d rows", rows, height)
			}
			if db := psnr(picture(t, s), want, image.Rect(0, 0, width, rows-mcu)); db < 35 {
				t.Errorf("%.1f dB", db)
			}
		})
	}
}

// TestCleanTurnsDamaged checks that the missing part goes with the picture: the
// last rows of a picture that lies with its first row at the right are the left
// of the scene.
func TestCleanTurnsDamaged(t *testing.T) {
	body := withSegments(asJPEG(t, scene(128, 96)), exifSegment(byteOrders["Intel"], 6))
	s := mustClean(t, body[:len(body)*7/10])
	checkStill(t, s)
	if !s.Damaged {
		t.Error("not Damaged")
	}
	grey := color.Gray{Y: 128}
	checkCorners(t, picture(t, s), image.Pt(96, 128), grey, red, grey, green)
}
