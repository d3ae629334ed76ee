package liveness

import (
	"fmt"
	"strings"

	"lintel/store"
)

// Warning returns how a level reads, without a full stop, or "" for one that is
// not known. It never says that somebody is there.
func Warning(level store.LivenessLevel) string {
	switch level {
	case store.NoSign:
		return "No sign of a picture"
	case store.Doubtful:
		return "Doubtful: may be a picture"
	case store.Picture:
		return "Looks like a picture"
	}
	return ""
}

// Summary returns in sentences how a face was judged, and what could not be
// told.
func Summary(l store.Liveness) string {
	says := Warning(l.Level)
	if l.Level == store.NoSign {
		says += " " + on(l.Frames)
	}
	return strings.TrimSpace(says + ". " + Untold(l.CantTell))
}

// on says how many stills were judged together.
func on(frames int) string {
	if frames > 1 {
		return fmt.Sprintf("on these %d stills", frames)
	}
	return "on this still"
}

// Untold returns the reasons for what could not be told as one sentence, or ""
// for none. Codes that are not known are left out.
func Untold(codes []string) string {
	var whys []string
	for _, code := range codes {
		if why := strings.TrimSuffix(Why(code), "."); why != "" {
			whys = append(whys, strings.ToLower(why[:1])+why[1:])
		}
	}
	if len(whys) == 0 {
		return ""
	}
	return "Can’t tell more: " + strings.Join(whys, "; ") + "."
}
