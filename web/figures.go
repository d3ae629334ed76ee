package web

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"lintel/internal/house"
	"lintel/web/view"
)

// figures are what /metrics tells. No label has a name: a bell is told by its id,
// which is a keyed hash, and nothing is told of a visit or a person.
type figures struct {
	handler    http.Handler
	kept       *prometheus.CounterVec // by bell
	refused    *prometheus.CounterVec // by reason
	heartbeats *prometheus.CounterVec // by bell
	answer     prometheus.Histogram
	finding    prometheus.Histogram
}

// scrapeTime bounds how long the archive is asked for figures.
const scrapeTime = 10 * time.Second

func newFigures(c Config) *figures {
	counter := func(name, label string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: figureHelp(name)}, []string{label})
	}
	f := &figures{
		kept:       counter("lintel_stills_kept_total", "bell"),
		refused:    counter("lintel_stills_refused_total", "reason"),
		heartbeats: counter("lintel_heartbeats_total", "bell"),
		answer: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "lintel_still_answer_seconds",
			Help:    figureHelp("lintel_still_answer_seconds"),
			Buckets: []float64{.01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30}}),
		finding: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "lintel_examination_seconds",
			Help:    figureHelp("lintel_examination_seconds"),
			Buckets: []float64{.01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30}}),
	}
	all := prometheus.NewRegistry()
	all.MustRegister(f.kept, f.refused, f.heartbeats, f.answer, f.finding, collectors.NewGoCollector(),
		collectors.NewBuildInfoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		state{c})
	f.handler = promhttp.HandlerFor(all, promhttp.HandlerOpts{ErrorHandling: promhttp.ContinueOnError,
		ErrorLog: scrapeLog{c}, MaxRequestsInFlight: 4})
	return f
}

func (s *Server) getMetrics(w http.ResponseWriter, r *http.Request) error {
	s.figures.handler.ServeHTTP(w, r)
	return nil
}

// received counts a still that was kept, and how long its bell waited.
func (f *figures) received(bell string, took time.Duration) {
	f.kept.WithLabelValues(bell).Inc()
	f.answer.Observe(took.Seconds())
}

// refuse counts a still that was refused, by the problem that it was.
func (f *figures) refuse(err error) {
	p, _ := problemOf(err)
	f.refused.WithLabelValues(p.Type).Inc()
}

// Examined counts a still that was examined.
func (s *Server) Examined(took time.Duration) { s.figures.finding.Observe(took.Seconds()) }

// scrapeLog has what could not be found out logged.
type scrapeLog struct{ Config }

func (l scrapeLog) Println(v ...any) { l.Log.Error("gathering figures", "err", v) }

// figureHelp says what a figure is. Units and what Prometheus has at the end of names
// are no part of the key.
func figureHelp(name string) string {
	key := strings.TrimPrefix(name, "lintel_")
	for _, unit := range []string{"_total", "_timestamp_seconds", "_seconds", "_bytes"} {
		key = strings.TrimSuffix(key, unit)
	}
	return speak(language).Text("figure-" + strings.ReplaceAll(key, "_", "-"))
}

// A gauge is a figure that is found out when it is asked for.
func gauge(name string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(name, figureHelp(name), labels, nil)
}

var (
	gaugeQueue       = gauge("lintel_stills_waiting")
	gaugeWait        = gauge("lintel_stills_waiting_seconds")
	gaugeAdvice      = gauge("lintel_advice", "state")
	gaugeFree        = gauge("lintel_disk_free_bytes")
	gaugeSize        = gauge("lintel_disk_size_bytes")
	gaugeBackup      = gauge("lintel_backup_timestamp_seconds")
	gaugeCertificate = gauge("lintel_certificate_end_timestamp_seconds")
	gaugeMQTT        = gauge("lintel_mqtt_connections")
	gaugeAiling      = gauge("lintel_bell_ailing", "bell", "ailment")
	gaugeHeard       = gauge("lintel_bell_heartbeat_timestamp_seconds", "bell")
)

// state are the figures that are found out when they are asked for.
type state struct{ Config }

// Describe names none beforehand: which there are depends on what there is.
func (state) Describe(chan<- *prometheus.Desc) {}

// Collect finds them out. One that can't be is said to be so, and the others told.
func (s state) Collect(to chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTime)
	defer cancel()
	tell := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for d, find := range map[*prometheus.Desc]func(context.Context, gaugeTeller) error{
		gaugeQueue: s.queue, gaugeAdvice: s.advice, gaugeFree: s.disk, gaugeBackup: s.backup, gaugeAiling: s.bells,
	} {
		if err := find(ctx, tell); err != nil {
			to <- prometheus.NewInvalidMetric(d, err)
		}
	}
	if s.Broker != nil {
		tell(gaugeMQTT, float64(s.Broker.Connections()))
	}
	if s.Certificates != nil {
		state, err := s.Certificates(ctx)
		if err != nil {
			to <- prometheus.NewInvalidMetric(gaugeCertificate, err)
		} else if state.Server != nil {
			tell(gaugeCertificate, unixSeconds(state.Server.NotAfter))
		}
	}
}

type gaugeTeller func(d *prometheus.Desc, v float64, labels ...string)

func unixSeconds(at time.Time) float64 { return float64(at.UnixMilli()) / 1000 }

func (s state) queue(ctx context.Context, tell gaugeTeller) error {
	n, since, err := s.Archive.Queue(ctx)
	if err != nil {
		return err
	}
	tell(gaugeQueue, float64(n))
	waited := 0.0
	if !since.IsZero() {
		waited = max(0, s.Now().Sub(since).Seconds())
	}
	tell(gaugeWait, waited)
	return nil
}

func (s state) advice(ctx context.Context, tell gaugeTeller) error {
	counts, err := s.Archive.AdviceCounts(ctx)
	for _, what := range []house.AdviceState{house.Withheld, house.Suggested, house.Used, house.Dismissed, house.Expired,
		house.Withdrawn} {
		if err == nil {
			tell(gaugeAdvice, float64(counts[what]), string(what))
		}
	}
	return err
}

func (s state) disk(_ context.Context, tell gaugeTeller) error {
	free, size, err := s.Archive.Disk()
	if err == nil {
		tell(gaugeFree, float64(free))
		tell(gaugeSize, float64(size))
	}
	return err
}

func (s state) backup(ctx context.Context, tell gaugeTeller) error {
	last, found, err := s.Archive.LastBackup(ctx)
	if err == nil && found {
		tell(gaugeBackup, unixSeconds(last.At))
	}
	return err
}

func (s state) bells(ctx context.Context, tell gaugeTeller) error {
	all, err := s.Archive.BellHealths(ctx)
	for name, h := range all {
		id := s.Archive.BellID(name)
		for _, what := range house.Ailments {
			_, has := h.Has(what)
			tell(gaugeAiling, map[bool]float64{true: 1}[has], id, string(what))
		}
		if h.Last != nil {
			tell(gaugeHeard, unixSeconds(h.Last.At), id)
		}
	}
	return err
}

// A Check is something that has to be well for the server to be ready. Its name is
// one of unready-… in the catalog.
type Check struct {
	Name string
	Fine func(context.Context) error
}

// waitsTooLong is how long a still may wait to be examined before the server is
// not ready any more.
const waitsTooLong = 5 * time.Minute

var errWaits = errors.New("a still has waited to be examined for too long")

// checks are all that has to be well.
func (s *Server) checks() []Check {
	return append([]Check{
		{"database", func(ctx context.Context) error {
			_, err := s.Archive.Revision(ctx)
			return err
		}},
		{"key", s.Archive.CheckKey},
		{"disk", func(context.Context) error { return s.Archive.Roomy() }},
		{"queue", func(ctx context.Context) error {
			_, since, err := s.Archive.Queue(ctx)
			if err == nil && !since.IsZero() && s.Now().Sub(since) > waitsTooLong {
				err = errWaits
			}
			return err
		}},
	}, s.Checks...)
}

// A readyJSON says whether the server is ready, and what is not well.
type readyJSON struct {
	Ready  bool             `json:"ready"`
	Checks []readyCheckJSON `json:"checks"`
}

type readyCheckJSON struct {
	Name string `json:"name"`
	Fine bool   `json:"ok"`
	Says string `json:"says,omitempty"`
}

// getReady answers 200 where everything is well, and else 503. What is not well is
// told to residents, and to programs that read figures.
func (s *Server) getReady(w http.ResponseWriter, r *http.Request) error {
	ctx, cancel := context.WithTimeout(r.Context(), scrapeTime)
	defer cancel()
	answer, status := readyJSON{Ready: true}, http.StatusOK
	says := speak(languageOf(r))
	for _, check := range s.checks() {
		c := readyCheckJSON{Name: check.Name, Fine: true}
		if err := check.Fine(ctx); err != nil {
			c.Fine, c.Says = false, says.Text("unready-"+check.Name)
			answer.Ready, status = false, http.StatusServiceUnavailable
		}
		answer.Checks = append(answer.Checks, c)
	}
	if who, err := s.sessionOf(r); err == nil && admit(w, who, readMetrics) == nil {
		return sendJSON(w, status, answer)
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	w.Write([]byte(map[bool]string{true: "ready\n", false: "unready\n"}[answer.Ready]))
	return nil
}

// fillServer says on Upkeep how the server is: what waits, and what is not well.
func (s *Server) fillServer(ctx context.Context, t view.Presenter, page *upkeepView) error {
	waiting, _, err := s.Archive.Queue(ctx)
	if err != nil {
		return err
	}
	page.Server = []figure{{t.Words.Text("upkeep-waiting"), t.Words.Amount(int64(waiting))}}
	for _, check := range s.checks() {
		if check.Fine(ctx) != nil {
			page.Unready = append(page.Unready, t.Words.Text("unready-"+check.Name))
		}
	}
	return nil
}
