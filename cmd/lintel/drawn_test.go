package main

import (
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"lintel/internal/doorstep"
	"lintel/internal/house"
)

// at is an hour of a summer's day, by the drawn house's own clock.
func at(hour int) time.Time { return time.Date(2031, 6, 17, hour, 0, 0, 0, time.UTC) }

// visitorAt draws somebody before the front door, at an hour.
func visitorAt(hour int) doorstep.Still {
	return doorstep.Scene{At: at(hour), Seed: 1,
		Visitors: []doorstep.Visitor{{Who: doorstep.People[0], Distance: 0.8}}}.Still()
}

// aVisitor is one by day, for tests to which any still will do.
var aVisitor = sync.OnceValue(func() doorstep.Still { return visitorAt(12) })

// aVisitorsFile holds that still, as the bell sends it.
func aVisitorsFile(t testing.TB) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "visitor.jpg")
	if err := os.WriteFile(name, aVisitor().JPEG(85), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// aVisitorsFace is where the truth has the face on that still.
func aVisitorsFace() house.Face {
	truth := aVisitor().Truth[0]
	f := house.Face{Box: truth.Box}
	for _, i := range []int{3, 2, 0, 1, 4} { // in dlib's order
		f.Landmarks = append(f.Landmarks, house.Point(truth.Landmarks[i]))
	}
	return f
}
