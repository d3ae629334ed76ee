package liveness

import (
	"reflect"
	"testing"
	"time"

	"lintel/internal/house"
)

func TestReasons(t *testing.T) {
	framed := []float64{.5, .7, .1, 0, 9, 0}
	held := []float64{.5, .7, .6, 0, 9, .5}
	for _, c := range []struct {
		name    string
		finding house.Finding
		code    string // "" for nothing to say
		told    house.Values
	}{
		{"no sign", house.Finding{Sign: Detail}, "", house.Values{}},
		{"not looked for", house.Finding{Sign: Detail, Missing: Dark}, "cant-tell-dark", house.Values{}},
		{"a sign of another version", house.Finding{Sign: "grid", Score: 1}, "", house.Values{}},
		{"an even vote", house.Finding{Sign: Network, Score: .5, Values: []float64{0, .5, .5}}, "sign-network",
			house.Values{Rate: .5}},
		{"edges", house.Finding{Sign: Edges, Score: 1, Values: framed}, "sign-edges", house.Values{Count: 2}},
		{"edges and a hand", house.Finding{Sign: Edges, Score: 1, Values: held}, "sign-edges-hand", house.Values{Count: 3}},
		{"edges, numbers gone", house.Finding{Sign: Edges, Score: 1}, "sign-edges", house.Values{}},
		{"detail", house.Finding{Sign: Detail, Score: .2}, "sign-detail", house.Values{}},
		{"copies", house.Finding{Sign: Copies, Score: 1}, "sign-copies", house.Values{}},
		{"repeat", house.Finding{Sign: Repeat, Score: 1, Values: []float64{3, .125, 30}}, "sign-repeat-of",
			house.Values{Count: 3, Distance: .125, Lasted: 30 * time.Hour}},
		{"repeat, numbers gone", house.Finding{Sign: Repeat, Score: 1}, "sign-repeat", house.Values{}},
	} {
		var want []house.Reason
		if c.code != "" {
			want = []house.Reason{{Code: c.code, Values: c.told}}
		}
		if got := Reasons(c.finding); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, want %+v", c.name, got, want)
		}
	}
}

// That no sign was seen is no comfort, so nothing says it.
func TestWarning(t *testing.T) {
	for _, quiet := range []house.LivenessLevel{house.NoSign, "of a later version"} {
		if got := Warning(house.Liveness{Level: quiet, CantTell: []string{OneFrame}}); got != nil {
			t.Errorf("%q warns of %+v", quiet, got)
		}
	}
	got := Warning(house.Liveness{Level: house.Doubtful, CantTell: []string{NoEyes, "of a later version", OneFrame}})
	want := []house.Reason{{Code: "judged-doubtful"},
		{Code: "judged-untold", Values: house.Values{Why: []string{NoEyes, OneFrame}}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	if got := Warning(house.Liveness{Level: house.Picture}); len(got) != 1 || got[0].Code != "judged-picture" {
		t.Errorf("a picture: %+v", got)
	}
}
