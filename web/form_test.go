package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"lintel/internal/house"
)

// TestAllAtOnce has several fields of each form wrong: each is told beside its field,
// which says so to screen readers (WAI-ARIA 1.2, aria-invalid and aria-describedby), a
// list at the head leads to each, and nothing is saved.
func TestAllAtOnce(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	box, err := h.archive.SetDoor(t.Context(), house.Door{Name: "the box", Bell: "gate", Parcel: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		address string
		form    url.Values
		wrong   []string
	}{
		{"/rules/keeping", typed("stranger.stills=0", "person.findings=1", "person.findings.unit=h", "damaged.smaller=x",
			"quiet.0.from=25:00", "quiet.0.until=", "quiet.0.day"), []string{"stranger.stills", "person.findings",
			"damaged.smaller", "quiet.0.day", "quiet.0.from", "quiet.0.until"}},
		{"/rules/house", url.Values{"zone": {"Mars/Base"}, "percent": {"0"}}, []string{"zone", "percent"}},
		{"/rules/messages", url.Values{"text.0": {"{name}"}, "text.0.seconds": {"1"}, "text.1": {"Hello"},
			"text.1.seconds": {"601"}, "rule.away": {""}, "rule.away.seconds": {"x"}},
			[]string{"text.0", "text.0.seconds", "text.1.seconds", "rule.away", "rule.away.seconds", "rule.known"}},
		{"/rules/lens/gate", url.Values{"angle": {"400"}, "height": {""}, "tilt": {"x"}, "projection": {"bent"}},
			[]string{"angle", "height", "tilt", "projection"}},
		{"/rules/masks/gate", url.Values{"masks": {"0,0 2,2"}}, []string{"text"}},
		{"/rules/advice/doors", url.Values{"tell": {"never"}}, []string{"name", "bell", "kind", "tell"}},
		{"/rules/advice/doors/" + box, typedDoor("", "nowhere", ""), []string{"name", "bell", "kind"}},
		{"/rules/advice/rules", url.Values{"kind": {"allowed"}, "from": {"x"}, "band": {"weak"}},
			[]string{"person", "door", "days", "times", "factors", "band"}},
		{"/rules/advice/parcels", url.Values{"door": {box}, "note": {"\u202e"}, "window": {"-1"}, "from": {"x"}},
			[]string{"note", "window", "from", "to"}},
		{"/upkeep/displays/gate", url.Values{"rows": {"9"}, "columns": {"x"}}, []string{"rows", "columns", "rom"}},
	} {
		t.Run(test.address, func(t *testing.T) {
			h.within(t)
			a := h.fill(test.address, test.form, in).is(http.StatusUnprocessableEntity).says("Nothing was saved.")
			page := string(a.body)
			for _, field := range test.wrong {
				for what, part := range map[string]string{"told": `id="fault-` + field + `"`,
					"led to": `href="#field-` + field + `"`, "there": `id="field-` + field + `"`} {
					if strings.Count(page, part) != 1 {
						t.Errorf("%s: not %s once: %d", field, what, strings.Count(page, part))
					}
				}
				if !strings.Contains(page, `aria-describedby="fault-`+field+`"`) {
					t.Errorf("%s does not say what is wrong with it", field)
				}
			}
		})
	}
}
