package tracks

import (
	"math"
	"reflect"
	"testing"
	"time"
)

// TestMake has each track the same for the same seed, in order, and as its kind
// says. That nobody comes home faster than a train is a fact of the trade.
func TestMake(t *testing.T) {
	if len(Kinds) < 15 {
		t.Errorf("%d kinds", len(Kinds))
	}
	for _, k := range Kinds {
		for _, h := range Habits {
			a := Make(k, h, 4)
			if !reflect.DeepEqual(a, Make(k, h, 4)) {
				t.Errorf("%s, %s: not the same again", k.Name, h.Name)
			}
			if (len(a.Doors) > 0) != k.Comes {
				t.Errorf("%s, %s: at the door at %v", k.Name, h.Name, a.Doors)
			}
			for i, m := range a.Messages {
				if i > 0 && m.Heard.Before(a.Messages[i-1].Heard) || m.Heard.Before(a.From) ||
					m.Heard.After(a.To.Add(15*time.Minute)) || !(m.Accuracy > 0 && m.Accuracy <= 1000) ||
					math.Abs(m.Lat) > 52 || math.Abs(m.Lon) > 175 || m.Crossing != "" && !h.Cross {
					t.Fatalf("%s, %s: message %d is %+v", k.Name, h.Name, i, m)
				}
			}
		}
	}
}
