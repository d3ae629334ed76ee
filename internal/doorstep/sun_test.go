package doorstep

import (
	"math"
	"testing"
	"time"
)

// TestSunAgainstWorkedExample: I. Reda and A. Andreas, "Solar position algorithm for solar radiation
// applications" (NREL/TP-560-34302, 2003), example in appendix A.5 (figures from memory): 17 October 2003, 12:30:30,
// seven hours after UTC, 39.742476 degrees north, 105.1786 west. Its elevation has 0.016 degrees of refraction in it.
func TestSunAgainstWorkedExample(t *testing.T) {
	at := time.Date(2003, time.October, 17, 12, 30, 30, 0, time.FixedZone("", -7*3600))
	elevation, azimuth := sunAt(at, 39.742476, -105.1786)
	if math.Abs(elevation-39.88838) > 0.03 || math.Abs(azimuth-194.34024) > 0.02 {
		t.Errorf("elevation %.4f, azimuth %.4f; the example has 39.888 and 194.340", elevation, azimuth)
	}
}

// TestSunOfSolstice: at noon of the longest day the sun stands 90 degrees less latitude plus the
// tilt of the axis, 23.44 degrees, high, and in the south.
func TestSunOfSolstice(t *testing.T) {
	highest, where := -90.0, 0.0
	for minute := range 24 * 60 {
		at := time.Date(2026, time.June, 21, 0, minute, 0, 0, time.UTC)
		if elevation, azimuth := sunAt(at, 50, 0); elevation > highest {
			highest, where = elevation, azimuth
		}
	}
	if math.Abs(highest-(90-50+23.44)) > 0.02 || math.Abs(where-180) > 0.5 {
		t.Errorf("the sun comes to %.3f degrees, towards %.1f; want 63.44, and 180", highest, where)
	}
}

// TestSunBefore has the sun of the morning behind both lenses, where it shines on faces: at the front, which looks
// somewhat west of north, high and to the right; in the evening to the left.
func TestSunBefore(t *testing.T) {
	if v := sunBefore(Front, morning); v[0] < 0.2 || v[1] < 0.5 || v[2] > -0.3 || math.Abs(v.Len()-1) > 1e-9 {
		t.Errorf("at the front: %v, want to the right, high, behind the lens", v)
	}
	if v := sunBefore(Front, morning.Add(8*time.Hour)); v[0] > -0.5 {
		t.Errorf("at the front in the evening: %v, want to the left", v)
	}
	if v := sunBefore(Garden, morning); v[2] > 0 {
		t.Errorf("in the garden: %v, want behind the lens", v)
	}
	if v := sunBefore(Front, morning.Add(13*time.Hour)); v[1] > 0 {
		t.Errorf("at eleven at night: %v, want below the horizon", v)
	}
}
