package export

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"time"
)

// How a file lies in the zip: stills are compressed already.
const (
	stored   = zip.Store
	deflated = zip.Deflate
)

// A pack is a zip that is being written, with the sums of what is in it.
type pack struct {
	zip  *zip.Writer
	made time.Time
	sums bytes.Buffer // as sha256sum writes them
}

func newPack(w io.Writer, made time.Time) *pack {
	return &pack{zip: zip.NewWriter(w), made: made}
}

// add adds a file.
func (p *pack) add(name string, method uint16, write func(io.Writer) error) error {
	h := &zip.FileHeader{Name: name, Method: method, Modified: p.made}
	h.SetMode(0o600)
	w, err := p.zip.CreateHeader(h)
	if err != nil {
		return fmt.Errorf("adding %s: %w", name, err)
	}
	sum := sha256.New()
	if err := write(io.MultiWriter(w, sum)); err != nil {
		return fmt.Errorf("adding %s: %w", name, err)
	}
	fmt.Fprintf(&p.sums, "%x  %s\n", sum.Sum(nil), name)
	return nil
}

// close adds the sums and ends the zip.
func (p *pack) close() error {
	sums := bytes.Clone(p.sums.Bytes())
	err := p.add("SHA256SUMS", deflated, func(w io.Writer) error {
		_, err := w.Write(sums)
		return err
	})
	if err != nil {
		return err
	}
	if err := p.zip.Close(); err != nil {
		return fmt.Errorf("ending the zip: %w", err)
	}
	return nil
}

// A spool keeps text in memory, deflated, until it is its turn. On a disk it
// would be one more place with personal data in clear.
type spool struct {
	buf   bytes.Buffer
	w     *flate.Writer
	items int // of JSON
}

func newSpool() *spool {
	s := new(spool)
	s.w, _ = flate.NewWriter(&s.buf, flate.DefaultCompression) // fails for an unknown level only
	return s
}

func (s *spool) Write(b []byte) (int, error) { return s.w.Write(b) }

// addJSON adds an item of a JSON array, on a line of its own.
func (s *spool) addJSON(v any) error {
	line, err := json.Marshal(v)
	if err != nil {
		return err
	}
	separator := "\n    "
	if s.items > 0 {
		separator = "," + separator
	}
	s.items++
	_, err = fmt.Fprintf(s, "%s%s", separator, line)
	return err
}

// copyTo writes what the spool keeps, which nothing is added to any more.
func (s *spool) copyTo(w io.Writer) error {
	if err := s.w.Close(); err != nil {
		return err
	}
	_, err := io.Copy(w, flate.NewReader(&s.buf))
	return err
}
