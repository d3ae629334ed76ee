package web

import (
	"strings"
	"testing"

	"lintel/internal/house"
)

// A face's quality is in the API's answer, and what is most wrong with it on
// the visit's page; a face that was not measured has none.
func TestQuality(t *testing.T) {
	h := newHouse(t)
	token := h.resident("Odile")
	fine := house.Quality{FaceWidth: 200, EyeDistance: 80, PixelsPerMetre: 1270, Sharpness: .3, Luma: 120, Contrast: .1,
		Yaw: -4}
	small := fine
	small.FaceWidth, small.PixelsPerMetre = 42, 270
	blurred := small
	blurred.Sharpness = .001
	one := func(q *house.Quality) house.Face {
		f := face(10, 42, house.Person{}, 0, "")
		f.Quality = q
		return f
	}
	for i, c := range []struct {
		name    string
		quality *house.Quality
		codes   []string
		poor    bool
		says    string
	}{
		{"fine", &fine, nil, false, ""},
		{"small", &small, []string{"small"}, false, "The face is only 42 pixels wide."},
		{"blurred", &blurred, []string{"blurred", "small"}, true, "The face is blurred."},
		{"no-eyes", &house.Quality{FaceWidth: 42}, []string{"no-eyes"}, true, "The eyes could not be made out."},
		{"unmeasured", nil, nil, false, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			h.within(t)
			visit := h.rung(c.name, 0, still(t, uint8(i))).Visit
			record(t, h.archive, visit, 0, one(c.quality))
			a := h.get("/api/v1/visits/"+visit, h.session(token)).is(200)
			readDocument(t).checkAnswer(t, "GET", "/api/v1/visits/{visit}", a)
			q := h.visit(visit, token).Stills[0].Faces[0].Quality
			page := h.get("/visits/"+visit, h.session(token)).is(200).says(c.says)
			if strings.Contains(string(page.body), `class="complaint"`) != (c.says != "") {
				t.Errorf("the page complains, or does not: %s", page.body)
			}
			if (q == nil) != (c.quality == nil) {
				t.Fatalf("quality %+v", q)
			}
			if q == nil {
				return
			}
			if q.Quality != *c.quality || q.Poor != c.poor || len(q.Complaints) != len(c.codes) ||
				(q.Score == 1) != (c.codes == nil) {
				t.Errorf("quality %+v", q)
			}
			for i, code := range c.codes {
				if q.Complaints[i].Code != code {
					t.Errorf("complaint %d is %q, want %q", i, q.Complaints[i].Code, code)
				}
			}
		})
	}
}
