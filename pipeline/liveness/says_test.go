package liveness

import (
	"testing"

	"lintel/store"
)

func TestSummary(t *testing.T) {
	const once = "there is only one still of this ring, and one alone tells little."
	for _, c := range []struct {
		liveness store.Liveness
		want     string
	}{
		{store.Liveness{Level: store.NoSign, Frames: 1, CantTell: []string{OneFrame}}, ""},
		{store.Liveness{Level: store.NoSign, Frames: 3}, ""},
		{store.Liveness{Level: store.Doubtful, Frames: 1, CantTell: []string{NoEyes, OneFrame}}, "Doubtful: may be a picture. Can’t tell more: the eyes could not be made out; " + once},
		{store.Liveness{Level: store.Picture, Frames: 2}, "Looks like a picture."},
		{store.Liveness{Level: store.Picture, Frames: 2, CantTell: []string{"of a later version"}}, "Looks like a picture."},
	} {
		if got := Summary(c.liveness); got != c.want {
			t.Errorf("%+v: %q, want %q", c.liveness, got, c.want)
		}
	}
	for _, quiet := range []store.LivenessLevel{store.NoSign, "of a later version"} {
		if got := Warning(quiet); got != "" {
			t.Errorf("%q reads %q", quiet, got)
		}
	}
}
