package web

import (
	"net/http"
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
)

func (h *household) doors() []house.Door {
	h.t.Helper()
	doors, err := h.archive.Doors(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	return doors
}

func typedDoor(name, bell, kind string) url.Values {
	return url.Values{"name": {name}, "bell": {bell}, "kind": {kind}}
}

func TestDoorOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	if _, err := h.archive.AddBell(t.Context(), "yard"); err != nil {
		t.Fatal(err)
	}
	h.get("/rules/advice", in).is(200).says("Add a door first.")
	h.get("/rules/advice/doors", in).is(200).says(`<option value="gate">`).says(`<option value="yard">`).
		says("Lintel never moves a lock.").saysNot("checked")
	h.fill("/rules/advice/doors", typedDoor("  the <oak> door ", "gate", "house"), in).is(http.StatusSeeOther)
	h.fill("/rules/advice/doors", typedDoor("the box", "yard", "parcel"), in).is(http.StatusSeeOther)
	doors := h.doors()
	if len(doors) != 2 || doors[0].Name != "the <oak> door" || doors[0].Bell != "gate" || doors[0].Parcel ||
		doors[1].Name != "the box" || !doors[1].Parcel {
		t.Fatalf("doors %+v", doors)
	}
	h.get("/rules/advice", in).is(200).says("the &lt;oak&gt; door").
		says("the house’s own door; the bell gate rings there").says("for parcels only; the bell yard rings there").
		says("Nobody is enrolled yet.")
	h.get("/upkeep/trail", in).is(200).says("<span class=\"who\">Odile</span> added the door “the box”")

	// A change keeps the id, and its own name is no other's.
	box := doors[1]
	h.get("/rules/advice/doors/"+box.ID, in).is(200).says(`value="the box"`).says(`value="parcel" checked`).
		says(`value="yard" selected`)
	h.fill("/rules/advice/doors/"+box.ID, typedDoor("the box", "gate", "parcel"), in).is(http.StatusSeeOther)
	h.fill("/rules/advice/doors/"+box.ID, typedDoor("the <OAK> door", "gate", "parcel"), in).is(422).
		says("There is a door of this name already.")
	want := house.Door{ID: box.ID, Name: "the box", Bell: "gate", Parcel: true}
	if got := h.doors()[1]; got != want {
		t.Errorf("changed into %+v", got)
	}
}

func TestWrongDoorOnPage(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	h.door("the box")
	for _, test := range []struct {
		name, bell, kind, says string
	}{
		{"", "gate", "house", "A name has 1 to 60 characters."}, {"   ", "gate", "house", "1 to 60 characters"},
		{strings.Repeat("ä", 61), "gate", "house", "1 to 60 characters"},
		{"a\x00b", "gate", "house", "A name has no character that can’t be seen"},
		{"the \u202exob", "gate", "house", "A name has no character that can’t be seen"},
		{"The Box", "gate", "house", "There is a door of this name already."},
		{"the hatch", "", "house", "Choose the bell that rings at this door."},
		{"the hatch", "cellar", "house", "Choose the bell that rings"},
		{"the hatch", "gate", "", "Say which of the two it is."},
	} {
		a := h.fill("/rules/advice/doors", typedDoor(test.name, test.bell, test.kind), in).is(422).says(test.says).
			says("Nothing was saved.")
		if n := strings.Count(string(a.body), `class="fault" id=`); n != 1 {
			t.Errorf("%+v is told %d times", test, n)
		}
	}
}

// TestRemoveDoor removes doors. With a door goes what is for it, which is said
// before.
func TestRemoveDoor(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	r := h.ruledFor()
	if _, err := h.archive.AddParcelRule(t.Context(), house.ParcelRule{Door: r.parcelDoor, From: h.clock.now(),
		To: h.clock.now().Add(time.Hour), Window: time.Minute}); err != nil {
		t.Fatal(err)
	}
	plain := h.door("the hatch")
	h.get("/rules/advice/doors/"+r.door+"/remove", in).is(200).says("These go with the door: 1 rule.")
	h.get("/rules/advice/doors/"+r.parcelDoor+"/remove", in).is(200).says("These go with the door: 1 parcel.")
	h.get("/rules/advice/doors/"+plain+"/remove", in).is(200).says("Remove the hatch").saysNot("go with the door")
	h.post("/rules/advice/doors/"+r.door+"/remove", nil, in).is(http.StatusSeeOther)
	h.post("/rules/advice/doors/"+r.door+"/remove", nil, in).is(http.StatusSeeOther)
	if rules := h.doorRules(); len(rules) != 0 {
		t.Errorf("rules %+v are left of a door that is gone", rules)
	}
	for _, path := range []string{"", "/remove"} {
		h.get("/rules/advice/doors/"+r.door+path, in).isProblem(404, "unknown-door")
	}
	h.fill("/rules/advice/doors/"+r.door, typedDoor("the oak door", "gate", "house"), in).isProblem(404, "unknown-door")
	h.get("/upkeep/trail", in).is(200).says("removed a door that is gone (" + r.door).saysNot("the oak door")
}

func TestDoorsByAPI(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	send := func(method, path, body string) *answer { return h.ask(method, path, strings.NewReader(body), in) }
	var door house.Door
	send("POST", "/api/v1/doors", `{"name":"the box","bell":"gate","parcel":true,"id":"CHOSEN"}`).is(201).into(&door)
	if door.ID == "" || door.ID == "CHOSEN" || door.Name != "the box" || !door.Parcel {
		t.Errorf("added %+v", door)
	}
	for _, bad := range []string{`{}`, `{"name":"x","bell":"nowhere","parcel":true}`,
		`{"name":"The box","bell":"gate","parcel":true}`, `{"name":" ","bell":"gate"}`} {
		send("POST", "/api/v1/doors", bad).isProblem(422, "bad-door")
	}
	for _, bad := range []string{``, `[]`, `{"name":"x","lock":"gpio4"}`} {
		send("POST", "/api/v1/doors", bad).isProblem(400, "bad-body")
	}
	send("PUT", "/api/v1/doors/"+door.ID, `{"name":"the chest","bell":"gate","parcel":true}`).is(200)
	var list struct{ Doors []house.Door }
	h.get("/api/v1/doors", in).is(200).into(&list)
	if want := []house.Door{{ID: door.ID, Name: "the chest", Bell: "gate",
		Parcel: true}}; !reflect.DeepEqual(list.Doors, want) {
		t.Errorf("list %+v", list)
	}
	if a := h.ask("DELETE", "/api/v1/doors/"+door.ID, nil, in).
		is(200); strings.TrimSpace(string(a.body)) != `{"doors":[]}` {
		t.Errorf("left %s", a.body)
	}
	h.ask("DELETE", "/api/v1/doors/"+door.ID, nil, in).isProblem(404, "unknown-door")
	send("PUT", "/api/v1/doors/"+door.ID, `{"name":"the chest","bell":"gate","parcel":true}`).
		isProblem(404, "unknown-door")
}
