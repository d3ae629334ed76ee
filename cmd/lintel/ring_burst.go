package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"
)

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

// pictureType is the type a bell would state; the server looks for itself.
func pictureType(data []byte) string {
	if t := http.DetectContentType(data); t == "image/png" {
		return t
	}
	return "image/jpeg"
}
