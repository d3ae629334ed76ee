package web

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func (h *household) parcels() []house.ParcelRule {
	h.t.Helper()
	parcels, err := h.archive.ParcelRules(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	return parcels
}

func TestParcelOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.get("/rules/advice/parcels", in).is(200).says("There is no door for parcels.").
		says("No parcel is expected, and none was lately.")
	r := h.ruledFor()
	h.ask("PUT", "/api/v1/rules", strings.NewReader(sentRules), in).is(200) // Lisbon
	page := h.get("/rules/advice/parcels", in).is(200).says("Whoever rings in that time may be let in, once").
		says("Lock every door behind it").
		says(`value="` + r.parcelDoor + `" selected`).saysNot("the oak door")
	page.says(`name="from" value="2031-05-04T19:30"`) // by Lisbon's clock, an hour ahead of UTC in summer

	h.get(h.fill("/rules/advice/parcels", r.typedAs(typedParcel), in).
		is(http.StatusSeeOther).Header.Get("Location"), in).is(200).says("Saved.").
		says("Opening the box may be suggested for one parcel (A lamp) to whoever rings from Sunday 1 June, 09:00 to " +
			"Sunday " +
			"1 June, 12:00, once and for 60 seconds at most.").
		says("Its time is to come.")
	h.get("/rules/advice", in).is(200).says("1 parcel is expected.")
	parcels := h.parcels()
	if len(parcels) != 1 || !parcels[0].From.Equal(time.Date(2031, 6, 1, 8, 0, 0, 0, time.UTC)) ||
		parcels[0].To.Sub(parcels[0].From) != 3*time.Hour || parcels[0].Window != time.Minute {
		t.Fatalf("parcels %+v", parcels)
	}
	t.Run("what becomes of it", func(t *testing.T) { h.becomesOf(t, parcels[0], in) })

	h.post("/rules/advice/parcels/"+parcels[0].ID+"/remove", nil, in).is(http.StatusSeeOther)
	h.post("/rules/advice/parcels/"+parcels[0].ID+"/remove", nil, in).is(http.StatusSeeOther)
	if got := h.parcels(); len(got) != 0 {
		t.Errorf("left %+v", got)
	}
	h.get("/upkeep/trail", in).is(200).says("<span class=\"who\">Odile</span> added an expected parcel, number ").
		says("removed an expected parcel, number ").says(">the suggestion ")
}

// becomesOf follows a parcel: to come, expected, over, and used on a visit.
func (h *household) becomesOf(t *testing.T, parcel house.ParcelRule, in option) {
	state := func(want house.ParcelState, says string) {
		t.Helper()
		h.get("/rules/advice/parcels", in).is(200).says(says)
		var list struct{ Parcels []parcelJSON }
		h.get("/api/v1/parcels", in).is(200).into(&list)
		if len(list.Parcels) != 1 || list.Parcels[0].State != want {
			t.Errorf("parcels %+v, want %s", list.Parcels, want)
		}
	}
	state("later", "Its time is to come.")
	h.clock.micros.Store(parcel.From.UnixMicro())
	state("now", "Expected now.")
	h.clock.micros.Store(parcel.To.UnixMicro())
	state("over", "Over: nothing was suggested for it.")
	h.clock.micros.Store(parcel.From.UnixMicro())
	visit := h.rung("parcel", 0, still(t, 3)).Visit
	h.advised(house.Advice{Visit: visit, Door: parcel.Door, State: house.Suggested, Parcel: parcel.ID,
		ExpiresAt: h.clock.now().Add(time.Minute)})
	state("used", "Used: opening was suggested for it once.")
	h.get("/rules/advice/parcels", in).is(200).says(`href="/visits/` + visit + `"`)
	h.get("/rules/advice", in).is(200).says("No parcel is expected.")
}

func TestWrongParcelOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	for _, test := range []struct{ change, says string }{
		{"door=", "Choose a door for parcels."}, {"door=NOSUCHDOOR", "Choose a door for parcels."},
		{"door=" + r.door, "A parcel is left at a door for parcels, never at the house&#39;s own."},
		{"note=" + strings.Repeat("x", 101), "100 characters at most"}, {"note=a\tb", "100 characters at most"},
		{"from=", "Choose a date and a time that exist."}, {"to=noon", "Choose a date and a time that exist."},
		{"to=2031-06-01T09:00", "from one time to a later one, 24 hours at most"},
		{"to=2031-06-02T09:01", "24 hours at most"},
		{"window=14", "15 seconds to 5 minutes"}, {"window=", "15 seconds to 5 minutes"},
		{"window=301", "15 seconds to 5 minutes"},
	} {
		a := h.fill("/rules/advice/parcels", r.typedAs(typedParcel, test.change), in).is(422).says(test.says).
			says("Nothing was saved.")
		if n := strings.Count(string(a.body), `class="fault" id=`); n != 1 {
			t.Errorf("%s is told %d times", test.change, n)
		}
	}
	h.fill("/rules/advice/parcels", r.typedAs(typedParcel, "from=2031-05-04T09:00", "to=2031-05-04T10:00"), in).is(422).
		says("That is over already.")
	if got := h.parcels(); len(got) != 0 {
		t.Errorf("wrong forms left %+v", got)
	}
}

func TestParcelsByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	sent := r.place("").Replace(sentParcel)
	post := func(body string) *answer { return h.ask("POST", "/api/v1/parcels", strings.NewReader(body), in) }
	var list struct{ Parcels []parcelJSON }
	post(sent).is(201).into(&list)
	if len(list.Parcels) != 1 || list.Parcels[0].Note != "A lamp" || list.Parcels[0].Window != 60 ||
		list.Parcels[0].State != house.ParcelLater ||
		!strings.HasPrefix(list.Parcels[0].Says, "Opening the box may be suggested") {
		t.Errorf("parcels %+v", list.Parcels)
	}
	post(strings.Replace(sent, r.parcelDoor, r.door, 1)).isProblem(422, "house-door")
	for _, bad := range []struct{ old, new string }{
		{r.parcelDoor, "NOSUCHDOOR"}, {`"2031-06-01T12`, `"2031-06-01T09`}, {`"2031-06-01T12`, `"2031-06-03T12`},
		{":60", ":14"}, {":60", ":18446744133"}, {"2031-06", "2030-06"}, {"A lamp", strings.Repeat("x", 101)},
	} {
		post(strings.ReplaceAll(sent, bad.old, bad.new)).isProblem(422, "bad-parcel")
	}
	for _, bad := range []string{``, `[]`, `{"used_by":"X"}`} {
		post(bad).isProblem(400, "bad-body")
	}
	if a := h.ask("DELETE", "/api/v1/parcels/"+list.Parcels[0].ID, nil, in).
		is(200); strings.TrimSpace(string(a.body)) != `{"parcels":[]}` {
		t.Errorf("left %s", a.body)
	}
	h.ask("DELETE", "/api/v1/parcels/"+list.Parcels[0].ID, nil, in).isProblem(404, "unknown-parcel")
}
