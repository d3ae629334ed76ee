package store

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lintel/internal/house"
)

// A target is something that was sealed on a disk: what its file or row held, how the
// plain text begins, and what it was sealed for.
type target struct {
	what   string // of what
	sealed []byte // nonce, text and tag
	begins []byte // 16 bytes of the plain text
	place  []string
}

// onDisk makes an ext4 file system in an image, runs f on its mounted folder, and
// returns the bytes of the image then, as somebody reads them who took the disk out.
func onDisk(t *testing.T, f func(dir string)) []byte {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("SKIPPED: the raw disk was not looked at: it takes root to mount an image")
	}
	image, mounted := filepath.Join(t.TempDir(), "image"), t.TempDir()
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 48<<20))
	for _, command := range [][]string{{"mkfs.ext4", "-q", "-E", "nodiscard", image},
		{"mount", "-o", "loop,nodiscard", image, mounted}} {
		if said, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
			t.Skipf("SKIPPED: the raw disk was not looked at: %s: %v %s", command[0], err, said)
		}
	}
	t.Cleanup(func() { _ = exec.Command("umount", "-l", mounted).Run() }) // where f failed
	f(filepath.Join(mounted, "data"))
	must(t, exec.Command("umount", mounted).Run())
	data, err := os.ReadFile(image)
	must(t, err)
	return data
}

// recovered counts what of the targets whoever has the master key and the raw bytes
// of the disk can open: it takes every 44 bytes, wherever they stand, for a nonce and
// a key under the master key, whatever that was wrapped for, and tries what comes out
// of it on all targets.
//
// Outside: AES, counter mode and GCM of Go's standard library, put together by NIST SP
// 800-38D, 7.1: with a nonce of 96 bits the first block is encrypted with counter 2.
// Nothing is asked of the archive, nor of package seal or keyfile.
func recovered(t *testing.T, disk []byte, targets []target) map[string]int {
	t.Helper()
	wrapping, err := hkdf.Key(sha256.New, testKey[:], nil, "lintel wrapping of data keys 1", 32)
	must(t, err)
	unwrap, err := aes.NewCipher(wrapping)
	must(t, err)
	counter := func(nonce []byte, n uint32) []byte { return binary.BigEndian.AppendUint32(nonce[:12:12], n) }
	var pad [32]byte
	var begins [16]byte
	found := make(map[int]bool)
	key, nonces := make([]byte, 32), make([][]byte, len(targets))
	for i, x := range targets {
		nonces[i] = counter(x.sealed, 2)
	}
	block := make([]byte, 16)
	for at := 0; at+44 <= len(disk); at++ {
		window := disk[at : at+44]
		if binary.LittleEndian.Uint64(window) == 0 || binary.LittleEndian.Uint64(window[36:]) == 0 {
			continue // of zeros is most of a new disk, and no key
		}
		copy(block, window[:12])
		binary.BigEndian.PutUint32(block[12:], 2)
		unwrap.Encrypt(pad[:16], block)
		block[15] = 3
		unwrap.Encrypt(pad[16:], block)
		for i := range key {
			key[i] = window[12+i] ^ pad[i]
		}
		data, _ := aes.NewCipher(key)
		for i, x := range targets {
			data.Encrypt(begins[:], nonces[i])
			for j := range begins {
				begins[j] ^= x.sealed[12+j]
			}
			if bytes.Equal(begins[:], x.begins) && opens(t, data, x) {
				found[i] = true
			}
		}
	}
	counts := make(map[string]int)
	for i := range found {
		counts[targets[i].what]++
	}
	return counts
}

// opens opens a target whole. Its place is written as package seal says: each part
// with its length before it.
func opens(t *testing.T, key cipher.Block, x target) bool {
	t.Helper()
	aead, err := cipher.NewGCM(key)
	must(t, err)
	var place []byte
	for _, part := range x.place {
		place = append(binary.BigEndian.AppendUint32(place, uint32(len(part))), part...)
	}
	_, err = aead.Open(nil, x.sealed[:12], x.sealed[12:], place)
	return err == nil
}

// targetsOf returns what is sealed of a visit's still and of its face.
func targetsOf(t *testing.T, a *Archive, visit, what string) []target {
	t.Helper()
	s, path := firstStill(t, a, visit)
	file, err := os.ReadFile(path)
	must(t, err)
	picture, err := a.ReadStill(t.Context(), visit, 0)
	must(t, err)
	var id string
	var sealed []byte
	must(t, a.read.QueryRowContext(t.Context(), `SELECT id, sealed FROM faces WHERE still = ?`, s.ID).Scan(&id, &sealed))
	var ring []byte
	must(t, a.read.QueryRowContext(t.Context(), `SELECT ring FROM visits WHERE id = ?`, visit).Scan(&ring))
	return []target{
		{what + ", still", sealedPicture(file), picture[:16], []string{"still", visit, "0"}},
		{what + ", face", sealed[8:], []byte(`{"Box":{"Min":{"X":10`)[:16], []string{"faces.sealed", id}},
		{what + ", ring", ring[8:], []byte("the ring of a visitor, r0")[:16], []string{"visits.ring", visit}}}
}

// sealedPicture is what of a still's file is the picture: after 8 bytes of a mark, and a
// label with its length in 2 bytes, as labels.go says.
func sealedPicture(file []byte) []byte { return file[10+binary.BigEndian.Uint16(file[8:]):] }

// targetsOfPerson returns what is sealed of a person and of their references.
func targetsOfPerson(t *testing.T, a *Archive, person string) []target {
	t.Helper()
	var name []byte
	must(t, a.read.QueryRowContext(t.Context(), `SELECT name FROM persons WHERE id = ?`, person).Scan(&name))
	all := []target{{"person erased, name", name[8:], []byte("Odo Fenwright of the mill")[:16],
		[]string{"persons.name", person}}}
	refs, err := a.Enrolments(t.Context(), person)
	must(t, err)
	for _, r := range refs {
		var sealed []byte
		must(t, a.read.QueryRowContext(t.Context(), `SELECT descriptor FROM gallery WHERE id = ?`, r.ID).Scan(&sealed))
		all = append(all, target{"person erased, reference", sealed[8:], encodeDescriptor(r.Descriptor)[:16],
			[]string{"gallery.descriptor", r.ID}})
	}
	return all
}

// addRemovable adds a resident who is to be removed, with a tablet, and returns what is
// sealed of both.
func addRemovable(t *testing.T, a *Archive) (id string, targets []target) {
	t.Helper()
	ctx := t.Context()
	must(t, second(a.AddResident(ctx, "Perpetua Vale of the mill", "$argon2id$one")))
	r, err := a.AddResident(ctx, "Merrin Oakhurst of the lane", "$argon2id$two")
	must(t, err)
	must(t, second(a.PairTablet(ctx, "the tablet in the pantry", r.ID)))
	for _, of := range [][2]string{{"residents", "Merrin Oakhurst of"}, {"tablets", "the tablet in the"}} {
		var row string
		var name []byte
		must(t, a.read.QueryRowContext(ctx, `SELECT id, name FROM `+of[0]+` ORDER BY rowid DESC`).Scan(&row, &name))
		targets = append(targets, target{"removed, of " + of[0], name[8:], []byte(of[1])[:16], []string{of[0] + ".name", row}})
	}
	return r.ID, targets
}

// erasedOnDisk fills an archive on a disk with stills and faces, has some of them go
// in every way, and returns what they were. Unless it goes, all stays.
func erasedOnDisk(t *testing.T, dir string, goes, killed bool) (targets []target) {
	t.Helper()
	c, ctx := newClock(), t.Context()
	a := openArchive(t, dir, c)
	must(t, second(a.AddBell(ctx, "gate")))
	must(t, a.Lock())
	p, _ := enrolled(t, a, rand.New(rand.NewPCG(6, 6)), "Odo Fenwright of the mill", 2)
	resident, targets := addRemovable(t, a)
	targets = append(targets, targetsOfPerson(t, a, p.ID)...)
	var visits []string
	for i := range 50 {
		n := stillOf(fmt.Sprintf("the ring of a visitor, r%d", i), 0)
		n.JPEG = fmt.Appendf(nil, "\xff\xd8\xff\xe0 picture %04d %s", i, strings.Repeat("of a visitor ", 200))
		visits = append(visits, keep(t, a, n))
		var m *house.Match
		if i >= 40 {
			m = &house.Match{Person: p.ID, Distance: 0.3, FPIR: 1e-4, Band: "strong"}
		}
		record(t, a, visits[i], faceOf(float32(i+1), m))
	}
	for i, id := range visits {
		if what := []string{"erased", "erased", "stays", "stays", "person erased"}[i/10]; what != "stays" {
			targets = append(targets, targetsOf(t, a, id, what)...)
		}
	}
	if !goes {
		must(t, a.Close())
		return targets
	}
	if killed { // once rows have gone, and before anything is overwritten
		must(t, second(a.transact(ctx, func(tx *sql.Tx) error { return a.eraseVisits(ctx, tx, visits[:20]) })))
		must(t, a.Close())
		a = openArchive(t, dir, c)
		must(t, a.Lock())
		must(t, second(a.Recover(ctx)))
	} else {
		for _, id := range visits[:20] {
			must(t, a.EraseVisit(ctx, id))
		}
	}
	must(t, second(a.ErasePerson(ctx, p.ID, false)))
	must(t, a.RemoveResident(ctx, resident, ""))
	for i, id := range visits[20:] {
		if _, err := a.ReadStill(ctx, id, 0); err != nil {
			t.Errorf("still %d that stays: %v", 20+i, err)
		}
	}
	wantSound(t, a)
	must(t, a.Close())
	return targets
}

// TestErasedOnRawDisk looks for what was erased on the raw disk, with the master key:
// what stays is found there, so the search finds what there is, and of what went
// nothing opens. The stills of an erased person's visits stay, their faces don't.
func TestErasedOnRawDisk(t *testing.T) {
	stays := map[string]int{"person erased, still": 10, "person erased, ring": 10}
	for name, test := range map[string]struct {
		goes, killed bool
		want         map[string]int
	}{
		"nothing goes": {false, false, map[string]int{"erased, still": 20, "erased, face": 20, "erased, ring": 20,
			"person erased, still": 10, "person erased, ring": 10, "person erased, face": 10, "person erased, name": 1,
			"person erased, reference": 2, "removed, of residents": 1, "removed, of tablets": 1}},
		"erased":                       {true, false, stays},
		"erased after a loss of power": {true, true, stays},
	} {
		t.Run(name, func(t *testing.T) {
			var targets []target
			disk := onDisk(t, func(dir string) { targets = erasedOnDisk(t, dir, test.goes, test.killed) })
			got := recovered(t, disk, targets)
			if !maps.Equal(got, test.want) {
				t.Errorf("recovered %v, want %v", got, test.want)
			}
		})
	}
}
