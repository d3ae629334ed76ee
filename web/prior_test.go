package web

import (
	"net/http"
	"net/url"
	"testing"
)

func TestPrior(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	var p priorJSON
	h.get("/api/v1/prior", in).is(http.StatusOK).into(&p)
	if p.Prior != 0.5 {
		t.Errorf("at first %v", p.Prior)
	}
	h.get("/rules/house", in).is(200).says(`name="percent" value="50"`)
	h.fill("/rules/house", url.Values{"percent": {"12.5"}, "zone": {""}}, in).is(http.StatusSeeOther)
	h.get("/api/v1/prior", in).is(http.StatusOK).into(&p)
	if p.Prior != 0.125 {
		t.Errorf("said 12.5 %%: %v", p.Prior)
	}
	h.get("/rules/house", in).is(200).says(`name="percent" value="12.5"`)
	for _, bad := range []string{"", "0", "100", "-5", "many", "NaN", "1e9"} {
		h.fill("/rules/house", url.Values{"percent": {bad}}, in, browser).is(http.StatusUnprocessableEntity).
			says("A percentage is from 1 to 99.")
	}
	h.ask("PUT", "/api/v1/prior", nil, in, sends(`{"prior":0.3}`)).is(http.StatusOK)
	for _, bad := range []string{`{"prior":0}`, `{"prior":1}`, `{"prior":-1}`} {
		h.ask("PUT", "/api/v1/prior", nil, in, sends(bad)).isProblem(http.StatusUnprocessableEntity, "bad-prior")
	}
	h.ask("PUT", "/api/v1/prior", nil, in, sends(`{}`)).isProblem(http.StatusUnprocessableEntity, "bad-prior")
	h.get("/api/v1/prior", in).is(http.StatusOK).into(&p)
	if p.Prior != 0.3 {
		t.Errorf("after all that %v", p.Prior)
	}
}
