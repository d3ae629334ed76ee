package liveness

import (
	"strings"

	"lintel/internal/house"
)

// Warning returns how a level reads, without a full stop, or "" where there is
// nothing to warn of. That no sign was seen is told to nobody: most pictures
// show none, and it would be taken for a comfort.
func Warning(level house.LivenessLevel) string {
	switch level {
	case house.Doubtful:
		return "Doubtful: may be a picture"
	case house.Picture:
		return "Looks like a picture"
	}
	return ""
}

// Summary returns a warning in sentences, with what could not be told, or ""
// where there is nothing to warn of.
func Summary(l house.Liveness) string {
	says := Warning(l.Level)
	if says == "" {
		return ""
	}
	return strings.TrimSpace(says + ". " + Untold(l.CantTell))
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
