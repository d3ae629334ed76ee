package liveness

import (
	"math"
	"slices"
	"time"

	"lintel/internal/house"
)

// Reasons returns what was found, or why it could not be looked for, as codes
// with numbers. There are none where no sign was found: that is no comfort.
func Reasons(f house.Finding) []house.Reason {
	switch {
	case f.Missing != "":
		return []house.Reason{{Code: "cant-tell-" + f.Missing}}
	case f.Score == 0:
		return nil
	}
	switch f.Sign {
	case Network:
		return reason("sign-network", house.Values{Rate: logistic(value(f, 0))})
	case Edges:
		return edgesReasons(f)
	case Detail:
		return reason("sign-detail", house.Values{})
	case Copies:
		return reason("sign-copies", house.Values{})
	case Repeat:
		if len(f.Values) < 3 {
			return reason("sign-repeat", house.Values{})
		}
		before := time.Duration(f.Values[2] * float64(time.Hour))
		return reason("sign-repeat-of", house.Values{
			Count: int(math.Round(f.Values[0])), Distance: f.Values[1], Lasted: before,
		})
	}
	return nil // of another version
}

func reason(code string, v house.Values) []house.Reason {
	return []house.Reason{{Code: code, Values: v}}
}

func edgesReasons(f house.Finding) []house.Reason {
	seen := 0
	for _, part := range f.Values[:min(sides, len(f.Values))] {
		if part >= 0.5 {
			seen++
		}
	}
	if value(f, 5) >= 0.5 {
		return reason("sign-edges-hand", house.Values{Count: seen})
	}
	return reason("sign-edges", house.Values{Count: seen})
}

// Warning returns what a judgement warns of, and what could not be told, as
// codes. There is nothing where it does not warn: most pictures show no sign, so
// that none was seen would be taken for a comfort.
func Warning(l house.Liveness) []house.Reason {
	if !l.Level.Warns() {
		return nil
	}
	return append(reason("judged-"+string(l.Level), house.Values{}), Untold(l)...)
}

// Untold returns what could not be told, as a code. Reasons that this version
// does not know are left out.
func Untold(l house.Liveness) []house.Reason {
	var known []string
	for _, why := range l.CantTell {
		if slices.Contains(untold, why) {
			known = append(known, why)
		}
	}
	if len(known) == 0 {
		return nil
	}
	return reason("judged-untold", house.Values{Why: known})
}

// untold are the codes of what can't be told.
var untold = []string{NoNetwork, Tiny, Dark, NoEyes, Border, OneFrame, Sizes, Plain}
