package main

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"time"
)

type ringCmd struct {
	Files  []string `arg:"" name:"file" help:"${ring_files}" type:"path"`
	Frames int      `help:"${ring_frames}" default:"3" placeholder:"N"`
	Bell   string   `help:"The bell to ring as." default:"front" env:"LINTEL_BELL" placeholder:"NAME"`
	Secret string   `help:"${ring_secret}" env:"LINTEL_BELL_SECRET" required:"" placeholder:"SECRET"`
	Server string   `help:"Where the server is." default:"http://localhost:8420" env:"LINTEL_SERVER" placeholder:"URL"`
	Ring   string   `help:"The ring's id; a new one if not said." placeholder:"ID"`
	JSON   bool     `name:"json" help:"Print JSON."`
}

func (c *ringCmd) Run(g *globals) error {
	frames, err := c.frames(time.Now())
	if err != nil {
		return err
	}
	ring := c.Ring
	if ring == "" {
		ring = time.Now().UTC().Format("20060102T150405Z-") + rand.Text()[:6]
	}
	var receipts []json.RawMessage
	for n, f := range frames {
		if n > 0 && f.paced {
			if err := pause(g.ctx, burstApart); err != nil {
				return err
			}
		}
		if f.takenAt.IsZero() {
			f.takenAt = time.Now()
		}
		receipt, err := c.send(g, ring, n, f)
		if err != nil {
			return failed(err, "ring-broke-off", "File", f.path, "Error", err, "Kept", n, "Of", len(frames), "Ring", ring)
		}
		receipts = append(receipts, receipt)
	}
	return g.print(c.JSON, receipts, func(w io.Writer) {
		tell(w, "rang", "Bell", c.Bell, "Ring", ring, "Kept", len(receipts))
	})
}

// A frame is a still to send. It was taken when its file says, or else, with the
// zero time, in the moment that it is sent.
type frame struct {
	path    string
	takenAt time.Time
	paced   bool // whether it comes burstApart after the one before
}

const (
	// burstApart is how far apart the stills of a burst are: far enough that a
	// person moved.
	burstApart = time.Second / 3
	// liveFor is how old the newest picture of a folder may be, for a camera to
	// be writing there now.
	liveFor = 5 * time.Second
)

// frames are the stills of the ring: the files, or a burst from a folder.
func (c *ringCmd) frames(now time.Time) (all []frame, err error) {
	for _, path := range c.Files {
		info, err := os.Stat(path)
		switch {
		case err != nil:
			return nil, fmt.Errorf("%w: %w", errUsage, err)
		case info.IsDir() && len(c.Files) > 1:
			return nil, fmt.Errorf("%w: a folder is a whole ring: give it alone", errUsage)
		case info.IsDir():
			return c.burst(path, now)
		}
		all = append(all, frame{path: path})
	}
	return all, nil
}

// burst takes the newest pictures of a folder, oldest first. Where a camera is
// writing there, they are those that it took burstApart or more from each other,
// when it took them. Otherwise, or where it took none so far apart, they are sent
// as if they were taken now, burstApart.
func (c *ringCmd) burst(dir string, now time.Time) ([]frame, error) {
	if c.Frames < 1 || c.Frames > 16 {
		return nil, fmt.Errorf("%w: a ring has 1 to 16 frames", errUsage)
	}
	all, err := framesIn(dir)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%s: there is no picture (.jpg, .jpeg or .png) in this folder", dir)
	}
	want := min(c.Frames, len(all))
	var burst []frame
	for _, f := range slices.Backward(all) {
		if len(burst) < want && (len(burst) == 0 || burst[len(burst)-1].takenAt.Sub(f.takenAt) >= burstApart) {
			burst = append(burst, f)
		}
	}
	if len(burst) == want && now.Sub(burst[0].takenAt).Abs() < liveFor {
		slices.Reverse(burst)
		return burst, nil
	}
	burst = nil
	for _, f := range all[len(all)-want:] {
		burst = append(burst, frame{path: f.path, paced: true})
	}
	return burst, nil
}

// framesIn lists the pictures of a folder, the oldest first and those of one
// moment by their names.
func framesIn(dir string) (all []frame, err error) {
	files, err := picturesIn(dir)
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		info, err := os.Stat(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue // the camera takes old ones away
		}
		if err != nil {
			return nil, fmt.Errorf("looking for pictures: %w", err)
		}
		if info.Mode().IsRegular() {
			all = append(all, frame{path: file, takenAt: info.ModTime()})
		}
	}
	slices.SortStableFunc(all, func(a, b frame) int {
		return cmp.Or(a.takenAt.Compare(b.takenAt), strings.Compare(a.path, b.path))
	})
	return all, nil
}

// pause waits, unless the context is done before.
func pause(ctx context.Context, d time.Duration) error {
	wait := time.NewTimer(d)
	defer wait.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-wait.C:
		return nil
	}
}

// send sends one frame as a bell does, and returns the server's receipt.
func (c *ringCmd) send(g *globals, ring string, number int, f frame) (json.RawMessage, error) {
	data, err := os.ReadFile(f.path)
	if err != nil {
		return nil, fmt.Errorf("reading: %w", err)
	}
	to := strings.TrimSuffix(c.Server, "/") + "/api/v1/bells/" + url.PathEscape(c.Bell) + "/stills"
	req, err := http.NewRequestWithContext(g.ctx, http.MethodPost, to, bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("asking %s: %w", to, err)
	}
	req.Header.Set("Authorization", "Bearer "+c.Secret)
	req.Header.Set("Content-Type", pictureType(data))
	req.Header.Set("Lintel-Ring", ring)
	req.Header.Set("Lintel-Frame", fmt.Sprint(number))
	req.Header.Set("Lintel-Taken-At", f.takenAt.Format(time.RFC3339Nano))
	client := http.Client{Timeout: time.Minute}
	resp, err := client.Do(req)
	if err != nil {
		return nil, failed(err, "ring-unsent", "Error", err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return nil, fmt.Errorf("reading the answer: %w", err)
	}
	if resp.StatusCode != http.StatusCreated && resp.StatusCode != http.StatusOK {
		var problem struct{ Title, Detail string }
		if json.Unmarshal(answer, &problem) != nil {
			problem.Title = strings.TrimSpace(string(answer))
		}
		return nil, failed(nil, "ring-refused", "Status", resp.Status, "Problem", cmp.Or(problem.Detail, problem.Title))
	}
	return answer, nil
}

// pictureType is the type a bell would state; the server looks for itself.
func pictureType(data []byte) string {
	if t := http.DetectContentType(data); t == "image/png" {
		return t
	}
	return "image/jpeg"
}
