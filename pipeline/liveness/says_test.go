package liveness

import (
	"testing"

	"lintel/internal/house"
)

func TestSummary(t *testing.T) {
	const once = "there is only one still of this ring, and one alone tells little."
	for _, c := range []struct {
		liveness house.Liveness
		want     string
	}{
		{house.Liveness{Level: house.NoSign, Frames: 1, CantTell: []string{OneFrame}}, ""},
		{house.Liveness{Level: house.NoSign, Frames: 3}, ""},
		{house.Liveness{Level: house.Doubtful, Frames: 1, CantTell: []string{NoEyes, OneFrame}},
			"Doubtful: may be a picture. Can’t tell more: the eyes could not be made out; " + once},
		{house.Liveness{Level: house.Picture, Frames: 2}, "Looks like a picture."},
		{house.Liveness{Level: house.Picture, Frames: 2, CantTell: []string{"of a later version"}}, "Looks like a picture."},
	} {
		if got := Summary(c.liveness); got != c.want {
			t.Errorf("%+v: %q, want %q", c.liveness, got, c.want)
		}
	}
	for _, quiet := range []house.LivenessLevel{house.NoSign, "of a later version"} {
		if got := Warning(quiet); got != "" {
			t.Errorf("%q reads %q", quiet, got)
		}
	}
}
