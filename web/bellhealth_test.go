package web

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"lintel/internal/house"
	"lintel/pipeline/bell"
	"lintel/web/certificate"
)

const heartbeatPattern = "/api/v1/bells/{bell}/heartbeat"

// beat sends a heartbeat as gate does.
func (h *household) beat(body io.Reader, options ...option) *answer {
	h.t.Helper()
	with := append([]option{header("Authorization", "Bearer "+h.bell), header("Content-Type", "application/json")},
		options...)
	return h.ask("POST", "/api/v1/bells/gate/heartbeat", body, with...)
}

// watch is the one of the server.
func (h *household) watch() *bell.Watch { return h.Bells.(*bell.Watch) }

// endless are as many bytes as somebody asks for, and a count of them.
type endless struct{ read int }

func (e *endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	e.read += len(p)
	return len(p), nil
}

// TestHeartbeatAnswers: each answer is one that the document foresees.
func TestHeartbeatAnswers(t *testing.T) {
	h := newHouse(t)
	d := readDocument(t)
	check := func(a *answer, status int) *answer {
		t.Helper()
		d.checkAnswer(t, "POST", heartbeatPattern, a.is(status))
		return a
	}
	var answered bell.Answer
	check(h.beat(strings.NewReader(`{"signal_dbm":-61,"mood":"sunny"}`)), 200).into(&answered)
	if !answered.Time.Equal(h.clock.now()) || answered.Next != 300 {
		t.Errorf("answered %+v", answered)
	}
	check(h.beat(strings.NewReader(`{"signal_dbm":NaN}`)), 400).isProblem(400, "bad-heartbeat")
	check(h.beat(strings.NewReader(`{"uptime_s":-1}`)), 422).isProblem(422, "bad-uptime")
	check(h.beat(nil), 400)
	flood := new(endless)
	check(h.beat(io.LimitReader(flood, 20<<20)), 413).isProblem(413, "too-large")
	if flood.read > 64<<10 {
		t.Errorf("%d bytes of a heartbeat were read", flood.read)
	}
	h.clock.advance(time.Hour)
	for range 6 {
		check(h.beat(strings.NewReader(`{}`)), 200)
	}
	if a := check(h.beat(strings.NewReader(`{}`)), 429); a.Header.Get("Retry-After") != "10" {
		t.Errorf("Retry-After %q", a.Header.Get("Retry-After"))
	}
	if tried := h.Secrets.Tried(); len(tried) != 0 {
		t.Errorf("%+v are taken for posed as", tried)
	}
	check(h.beat(strings.NewReader(`{}`), header("Authorization", "Bearer "+h.secret("no secret of it"))), 401)
	if tried := h.Secrets.Tried(); len(tried) != 1 || tried[0].Bell != "gate" {
		t.Errorf("a wrong secret is not told of: %+v", tried)
	}
	check(h.ask("POST", "/api/v1/bells/nobell/heartbeat", strings.NewReader(`{}`)), 404)
}

// TestBellOnScreens has a bell fall silent, and looks at all who have to say so.
func TestBellOnScreens(t *testing.T) {
	h := newHouse(t)
	in, tablet := h.session(h.resident("Odile")), h.session(h.tablet("Hall", "Odile"))
	h.get("/upkeep/bells", in).is(200).says("Last heartbeat</dt><dd>none yet")
	for i := range 300 {
		h.clock.advance(5 * time.Minute)
		h.beat(strings.NewReader(fmt.Sprintf(`{"signal_dbm":%d,"uptime_s":%d,"firmware":"<b>1","battery_percent":70}`,
			-60-i%20, 300*(i%100)))).is(200)
	}
	h.rung("R1", 0, still(t, 1))
	if err := h.watch().Look(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.get("/upkeep/bells", in).is(200).says("−79 dBm at the weakest and −60 dBm at the strongest").
		says("<dt>Starts in 7 days</dt><dd>2</dd>").says("&lt;b&gt;1").says("<polyline").says("70 %").
		says("A heartbeat is expected every 5 minutes.")
	h.get("/upkeep", in).is(200).says("Stills to look at")
	h.clock.advance(16 * time.Minute)
	if err := h.watch().Look(t.Context()); err != nil {
		t.Fatal(err)
	}
	const notice = "The bell gate was not heard since Monday 5 May, 19:30. Look at its power and its network."
	h.get("/upkeep/bells", in).is(200).says(notice)
	h.get("/", tablet).is(200).says(notice)
	h.get("/upkeep/trail", in).is(200).says("the bell gate was not heard any more")
	var health healthJSON
	h.get("/api/v1/bells/gate/health", in).is(200).into(&health)
	if len(health.Ailing) != 1 || health.Ailing[0].Ailment != house.BellQuiet || health.Every != 300 ||
		len(health.Days) != 1 || health.Days[0].Rings != 1 || *health.Last.Battery != 70 {
		t.Errorf("%+v", health)
	}

	h.beat(strings.NewReader(`{}`)).is(200)
	if a := h.get("/", tablet).is(200); bytes.Contains(a.body, []byte(notice)) {
		t.Error("Now says of a bell that it is quiet, which it is not")
	}
	h.get("/upkeep/bells", in).is(200).says("Not heard: from Monday 5 May, 19:30 until Monday 5 May, 19:46.")
	h.get("/upkeep/trail", in).is(200).says("the bell gate was heard again")
}

// TestBellLive: a screen that is open hears when a bell falls silent, and when it is
// heard again.
func TestBellLive(t *testing.T) {
	inBubble(t, func(t *testing.T, h *liveHouse) {
		c := h.connect(t, h.resident("Odile"), 0)
		synctest.Wait() // until it is told from now on
		turn := func(change func(*house.Health)) {
			t.Helper()
			err := h.archive.ChangeBellHealth(t.Context(), "gate", func(b *house.Health) error {
				change(b)
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		turn(func(b *house.Health) { b.Begin(house.BellQuiet, h.Now()) })
		if m := c.next(); m.Type != "unwell" || !strings.HasPrefix(m.Text, "The bell gate was not heard since") {
			t.Errorf("%+v", m)
		}
		turn(func(b *house.Health) { b.End(house.BellQuiet, h.Now()) })
		if m := c.next(); m.Type != "unwell" || m.Text != "" {
			t.Errorf("%+v", m)
		}
	})
}

// TestBellSettings changes how often heartbeats are expected, on the page and by
// the API.
func TestBellSettings(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	const form = "/upkeep/bells/gate/heartbeat"
	h.post(form, url.Values{"minutes": {"30"}}, in).is(303)
	h.get("/upkeep/bells", in).is(200).says("A heartbeat is expected every 30 minutes.").says(`value="30"`)
	for _, wrong := range []string{"0", "-5", "1441", "often", "1.5"} {
		h.post(form, url.Values{"minutes": {wrong}}, in).is(422).says("every 1 to 1440 minutes")
	}
	h.post(form, url.Values{"minutes": {""}}, in).is(303)
	h.get("/upkeep/bells", in).is(200).says("No heartbeats are expected.")
	h.post("/upkeep/bells/shed/heartbeat", url.Values{"minutes": {"5"}}, in).is(404)
	h.post("/upkeep/bells/shed/view/forget", nil, in).is(404)
	h.post("/upkeep/bells/gate/view/forget", nil, in).is(303)
	put := func(body string) *answer {
		return h.ask("PUT", "/api/v1/bells/gate/health", strings.NewReader(body), in,
			header("Content-Type", "application/json"))
	}
	var health healthJSON
	put(`{"heartbeat_every_s":0}`).is(200).into(&health)
	put(`{"heartbeat_every_s":60}`).is(200).into(&health)
	if health.Every != 60 {
		t.Errorf("%+v", health)
	}
	for _, wrong := range []string{`{"heartbeat_every_s":59}`, `{"heartbeat_every_s":86401}`, `{}`,
		`{"heartbeat_every_s":-1}`} {
		put(wrong).isProblem(422, "bad-interval")
	}
	h.get("/upkeep/trail", in).is(200).says("changed how often the bell gate sends heartbeats").
		says("removed what the bell gate usually sees")
}

// TestMetrics reads what /metrics answers with the parser of Prometheus's own
// libraries (github.com/prometheus/common/expfmt), by a token with the scope.
func TestMetrics(t *testing.T) {
	h := newHouse(t, func(c *Config) {
		c.Broker = &allEars{}
		c.Certificates = func(context.Context) (certificate.State, error) {
			return certificate.State{Server: &x509.Certificate{NotAfter: time.Unix(2_000_000_000, 0)}}, nil
		}
	})
	in := h.session(h.resident("Odile"))
	person := h.enrolled("Ilse Amberg")
	h.rung("R1", 0, still(t, 1))
	h.ring("R1", 99, still(t, 1)).is(400)
	h.beat(strings.NewReader(`{"firmware":"porch-fw"}`)).is(200)
	h.Examined(120 * time.Millisecond)
	_, token, err := h.archive.AddProgram(t.Context(), "Figures", house.ReadMetrics)
	if err != nil {
		t.Fatal(err)
	}
	a := h.get("/metrics", header("Authorization", "Bearer "+h.secret(token))).is(200)
	h.get("/metrics", in).is(200)
	_, other, err := h.archive.AddProgram(t.Context(), "Porch light", house.ReadVisits)
	if err != nil {
		t.Fatal(err)
	}
	h.get("/metrics", header("Authorization", "Bearer "+h.secret(other))).isProblem(403, "scope")
	h.get("/api/v1/visits", header("Authorization", "Bearer "+token)).isProblem(403, "scope")
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]float64{"lintel_stills_kept_total": 1, "lintel_stills_refused_total": 1,
		"lintel_heartbeats_total": 1} {
		if f := families[name]; f == nil || f.GetMetric()[0].GetCounter().GetValue() != want {
			t.Errorf("%s is %v, want %v", name, f, want)
		}
	}
	for name, want := range map[string]float64{"lintel_mqtt_connections": 2, "lintel_stills_waiting": 1,
		"lintel_certificate_end_timestamp_seconds": 2_000_000_000} {
		if f := families[name]; f == nil || f.GetMetric()[0].GetGauge().GetValue() != want {
			t.Errorf("%s is %v, want %v", name, f, want)
		}
	}
	if n := families["lintel_examination_seconds"].GetMetric()[0].GetHistogram().GetSampleCount(); n != 1 {
		t.Errorf("%d stills were examined", n)
	}
	for _, name := range []string{"lintel_still_answer_seconds", "lintel_disk_free_bytes", "lintel_advice",
		"lintel_bell_ailing", "go_build_info", "process_resident_memory_bytes"} {
		if families[name] == nil {
			t.Errorf("there is no %s", name)
		}
	}
	if families["lintel_backup_timestamp_seconds"] != nil {
		t.Error("a backup is told of, and there is none")
	}
	for _, private := range []string{"gate", "Ilse", person.ID, "porch-fw", "Odile"} {
		if bytes.Contains(a.body, []byte(private)) {
			t.Errorf("the figures tell %q", private)
		}
	}
}

// TestReady: nothing is told to whoever has no session, but whether it is ready.
func TestReady(t *testing.T) {
	var models error
	h := newHouse(t, func(c *Config) {
		c.Checks = []Check{{"models", func(context.Context) error { return models }}}
	})
	in := h.session(h.resident("Odile"))
	if a := h.get("/readyz").is(200); string(a.body) != "ready\n" {
		t.Errorf("%s", a.body)
	}
	var ready readyJSON
	h.get("/readyz", in).is(200).into(&ready)
	if !ready.Ready || len(ready.Checks) != 5 {
		t.Errorf("%+v", ready)
	}
	models = errors.New("a file is missing")
	h.rung("R1", 0, still(t, 1))
	h.clock.advance(waitsTooLong + time.Second)
	for _, who := range []option{from("203.0.113.9"), h.session(h.tablet("Hall", "Odile")),
		header("Authorization", "Bearer wrong")} {
		if a := h.get("/readyz", who).is(503); string(a.body) != "unready\n" {
			t.Errorf("%s", a.body)
		}
	}
	a := h.get("/readyz", in).is(503)
	readDocument(t).checkAnswer(t, "GET", "/readyz", a)
	a.into(&ready)
	wrong := make(map[string]string)
	for _, c := range ready.Checks {
		if !c.Fine {
			wrong[c.Name] = c.Says
		}
	}
	if len(wrong) != 2 || !strings.Contains(wrong["models"], "lintel models check") ||
		!strings.Contains(wrong["queue"], "5 minutes") {
		t.Errorf("%q", wrong)
	}
	h.get("/upkeep", in).is(200).says("Model files are missing.")
	if err := h.archive.Close(); err != nil {
		t.Fatal(err)
	}
	h.get("/readyz").is(503)
}
