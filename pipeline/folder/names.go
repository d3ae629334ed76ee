package folder

import (
	"cmp"
	"errors"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ErrPattern says that something is no pattern of names.
var ErrPattern = errors.New("a pattern of names is a regular expression with groups named ring, frame or time")

// Names say what the names of a folder's files tell. The zero Names tell nothing,
// and every picture is a still.
type Names struct {
	pattern *regexp.Regexp
}

// ParseNames reads a pattern: a regular expression (RE2) that the names of stills
// match, each as a path within the folder, with / between. Groups say what is
// where, and each may be missing:
//
//	(?P<ring>…)   what all files of a ring have in common
//	(?P<frame>…)  a number, by which the frames of a ring are in order
//	(?P<time>…)   when it was taken: of what it matches only the digits count,
//	              14 of them as YYYYMMDDhhmmss by the household's clock, up to 9
//	              more as a fraction; 10 or 13 as seconds or milliseconds since 1970
//
// A file that does not match is none of this bell's. The error is ErrPattern.
func ParseNames(pattern string) (Names, error) {
	if pattern == "" {
		return Names{}, nil
	}
	re, err := regexp.Compile(pattern)
	if err != nil {
		return Names{}, errors.Join(ErrPattern, err)
	}
	seen := make(map[string]bool)
	for _, name := range re.SubexpNames() {
		if name != "" && (!slices.Contains([]string{"ring", "frame", "time"}, name) || seen[name]) {
			return Names{}, ErrPattern
		}
		seen[name] = true
	}
	return Names{re}, nil
}

// Parts are what a name and a file's date tell.
type Parts struct {
	Ring  string    // "" where the name does not say
	Frame int       // -1 likewise
	At    time.Time // by the name; zero where it does not say
}

// compare orders files as they were taken: by their times, and then their frames.
func (p Parts) compare(q Parts) int {
	return cmp.Or(p.At.Compare(q.At), cmp.Compare(p.Frame, q.Frame))
}

// pictures are the names' ends of files that may be stills, or that somebody may
// think so of.
var pictures = []string{".jpg", ".jpeg", ".png", ".heic", ".heif", ".avif", ".webp"}

// Read reads a name, in a household's zone. It is not ok where the file is none of
// this bell's.
func (n Names) Read(name string, zone *time.Location) (p Parts, ok bool) {
	p.Frame = -1
	base := path.Base(name)
	if strings.HasPrefix(base, ".") || !slices.Contains(pictures, strings.ToLower(path.Ext(base))) {
		return p, false
	}
	if n.pattern == nil {
		return p, true
	}
	groups := n.pattern.FindStringSubmatch(name)
	if groups == nil {
		return p, false
	}
	for i, group := range n.pattern.SubexpNames() {
		switch group {
		case "ring":
			p.Ring = groups[i]
		case "frame":
			if frame, err := strconv.Atoi(groups[i]); err == nil && frame >= 0 {
				p.Frame = frame
			}
		case "time":
			p.At = timeIn(groups[i], zone)
		}
	}
	return p, true
}

// timeIn is the time that the digits of a text tell, zero if they tell none.
func timeIn(text string, zone *time.Location) time.Time {
	digits := strings.Map(func(r rune) rune {
		if r < '0' || r > '9' {
			return -1
		}
		return r
	}, text)
	const layout = "20060102150405"
	switch n := len(digits); {
	case n == 10 || n == 13:
		x, err := strconv.ParseInt(digits, 10, 64)
		if err != nil {
			return time.Time{}
		}
		if n == 10 {
			x *= 1000
		}
		return time.UnixMilli(x).UTC()
	case n >= len(layout) && n <= len(layout)+9:
		at, err := time.ParseInLocation(layout, digits[:len(layout)], zone)
		if err != nil || at.Year() < 1970 {
			return time.Time{}
		}
		fraction, err := strconv.ParseInt((digits[len(layout):] + "000000000")[:9], 10, 64)
		if err != nil {
			return time.Time{}
		}
		return at.Add(time.Duration(fraction))
	}
	return time.Time{}
}
