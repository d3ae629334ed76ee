// Package hostile makes the pictures that somebody would send who has one bell's
// secret and wants to silence the others: small files that take much memory or
// time. Only tests import it.
//
//	for _, p := range hostile.Pictures() {
//		post(p.Body) // p.Name says what it is
//	}
//
// Each is a picture by its standard (ITU-T T.81; the PNG specification, third
// edition), or one that breaks off, and of at most 8 MiB.
package hostile

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/jpeg"
	"math/rand/v2"
)

// A Picture is one of them.
type Picture struct {
	Name string
	Body []byte
}

// Side is how many pixels a large picture has on each side: 25 million in all.
const Side = 5000

// Pictures makes all kinds, in the same way each time. It takes some seconds.
func Pictures() []Picture {
	cmyk := progressive(Side, Side, []byte{0x11, 0x11, 0x11, 0x11}, 4)
	fine := progressive(Side, Side, []byte{0x11, 0x11, 0x11}, 10)
	exif := segment(0xe1, []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08"+ // one directory of one entry: orientation 6
		"\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00"))
	return []Picture{
		{"progressive CMYK", cmyk},
		{"progressive CMYK, cut", cut(cmyk)},
		{"progressive 4:4:4", fine},
		{"progressive 4:4:4, cut", cut(fine)},
		{"hundreds of scans", progressive(Side, Side, []byte{0x22, 0x11, 0x11}, 300)},
		{"restarts, far apart", sequential(Side, Side, 65535, nil)},
		{"restarts, one a unit", sequential(Side, Side, 1, nil)},
		{"on its side", sequential(Side, Side, 0, exif)},
		{"few bytes, many pixels", sequential(65500, 381, 0, nil)[:700]},
		{"noise", noise(2400, 2400)},
		{"noise, cut", cut(noise(2400, 2400))},
		{"PNG of 16 bits", bomb(4000, 4000, 16, 6, false)},
		{"PNG of 16 bits, too large", bomb(Side, Side, 16, 6, false)},
		{"PNG, interlaced", bomb(4400, 4400, 8, 2, true)},
	}
}

func cut(b []byte) []byte { return b[:len(b)*97/100] }

// segment lays out a marker segment (ITU-T T.81, B.1.1.4).
func segment(marker byte, payload []byte) []byte {
	b := binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(2+len(payload)))
	return append(b, payload...)
}

// head is all up to the first scan. Of the codes, 0 means that an average is as
// before, and the end of a block, or in a progressive picture of 16384 of them;
// 10 there means the end of one.
func head(sof byte, width, height int, sampling []byte, extra []byte) []byte {
	b := append([]byte{0xff, 0xd8}, extra...)
	if len(sampling) == 4 {
		b = append(b, segment(0xee, []byte("Adobe\x00\x64\x00\x00\x00\x00\x00"))...)
	}
	b = append(b, segment(0xdb, append([]byte{0}, bytes.Repeat([]byte{1}, 64)...))...)
	frame := binary.BigEndian.AppendUint16([]byte{8}, uint16(height))
	frame = append(binary.BigEndian.AppendUint16(frame, uint16(width)), byte(len(sampling)))
	for i, hv := range sampling {
		frame = append(frame, byte(i+1), hv, 0)
	}
	b = append(b, segment(sof, frame)...)
	end := byte(0x00)
	if sof == 0xc2 {
		end = 0xe0
	}
	averages := [19]byte{0x00, 1, 1, 17: 0, 1}
	others := [19]byte{0x10, 1, 1, 17: end, 0}
	return append(b, segment(0xc4, append(averages[:], others[:]...))...)
}

// scan lays out a scan's header (B.2.3).
func scan(components []byte, first, last, high, low byte) []byte {
	p := []byte{byte(len(components))}
	for _, c := range components {
		p = append(p, c, 0)
	}
	return segment(0xda, append(p, first, last, high<<4|low))
}

// progressive is a picture that is grey all over, in so many scans: one of the
// averages, then as many as there may be of the other coefficients, and then
// the last again and again.
func progressive(width, height int, sampling []byte, scans int) []byte {
	b := head(0xc2, width, height, sampling, nil)
	blocks := 0
	var all []byte
	for i, hv := range sampling {
		h, v := int(hv>>4), int(hv&0x0f)
		most := int(sampling[0]>>4) * 8
		blocks += (width + most - 1) / most * h * ((height + most - 1) / most) * v
		all = append(all, byte(i+1))
	}
	b = append(b, scan(all, 0, 0, 0, 0)...)
	b = append(b, make([]byte, (blocks+7)/8)...)
	single := (width + 7) / 8 * ((height + 7) / 8)
	runs := ends(single)
	for i := 1; i < scans; i++ {
		b = append(b, scan(all[:1], byte(min(i, 63)), byte(min(i, 63)), 0, 0)...)
		b = append(b, runs...)
	}
	return append(b, 0xff, 0xd9)
}

// ends says of so many blocks that they have nothing more: a bit, and 14 that are
// the number's, for each 16384, and two for each that is left.
func ends(blocks int) []byte {
	zeros, pairs := blocks/16384*15, blocks%16384
	b := make([]byte, (zeros+2*pairs+7)/8)
	for i := range pairs {
		at := zeros + 2*i
		b[at/8] |= 0x80 >> (at % 8)
	}
	return b
}

// sequential is a baseline picture that is grey all over, with restarts between
// so many units; 0 is none.
func sequential(width, height, interval int, extra []byte) []byte {
	b := head(0xc0, width, height, []byte{0x22, 0x11, 0x11}, extra)
	b = append(b, segment(0xdd, binary.BigEndian.AppendUint16(nil, uint16(interval)))...)
	b = append(b, scan([]byte{1, 2, 3}, 0, 63, 0, 0)...)
	units := (width + 15) / 16 * ((height + 15) / 16)
	for restart := byte(0); units > 0; restart = (restart + 1) % 8 {
		n := units
		if interval > 0 {
			n = min(units, interval)
		}
		b = append(b, make([]byte, (12*n+7)/8)...) // 6 blocks of two bits
		if units -= n; units > 0 {
			b = append(b, 0xff, 0xd0+restart)
		}
	}
	return append(b, 0xff, 0xd9)
}

// noise is a picture that is as busy as can be, and so takes long to decode.
func noise(width, height int) []byte {
	m := image.NewYCbCr(image.Rect(0, 0, width, height), image.YCbCrSubsampleRatio420)
	r := rand.New(rand.NewPCG(1, 2))
	for _, plane := range [][]byte{m.Y, m.Cb, m.Cr} {
		for i := range plane {
			plane[i] = byte(r.Uint32())
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 75}); err != nil {
		panic(err) // a buffer takes all
	}
	return b.Bytes()
}

// bomb is a PNG whose samples are all 0, of so many bits, of colour type 2 (RGB)
// or 6 (RGB and transparency).
func bomb(width, height, bits int, kind byte, interlaced bool) []byte {
	header := binary.BigEndian.AppendUint32(nil, uint32(width))
	header = append(binary.BigEndian.AppendUint32(header, uint32(height)), byte(bits), kind, 0, 0, 0)
	samples := 3
	if kind == 6 {
		samples = 4
	}
	pixel := samples * bits / 8
	var rows bytes.Buffer
	z, err := zlib.NewWriterLevel(&rows, zlib.BestCompression)
	if err != nil {
		panic(err) // the level is right
	}
	pass := func(w, h int) { z.Write(make([]byte, h*(1+w*pixel))) }
	if interlaced {
		header[12] = 1
		for _, p := range [][4]int{{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2},
			{0, 1, 1, 2}} { // Adam7: first column and row, and steps
			pass((width-p[0]+p[2]-1)/p[2], (height-p[1]+p[3]-1)/p[3])
		}
	} else {
		pass(width, height)
	}
	z.Close()
	b := append([]byte("\x89PNG\r\n\x1a\n"), chunk("IHDR", header)...)
	b = append(b, chunk("IDAT", rows.Bytes())...)
	return append(b, chunk("IEND", nil)...)
}

func chunk(kind string, data []byte) []byte {
	b := append(binary.BigEndian.AppendUint32(nil, uint32(len(data))), kind...)
	b = append(b, data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}
