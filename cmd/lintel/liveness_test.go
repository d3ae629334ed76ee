package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lintel/internal/house"
	"lintel/internal/supplies"
	"lintel/internal/trial"
)

// The command on photographs of persons, in both roles: whether it counts, not
// how well it does.
func TestLivenessCommand(t *testing.T) {
	models := supplies.NeedModels(t)
	photographs, err := filepath.Glob(filepath.Join(models, "examples", "*.jpg"))
	if err != nil || len(photographs) == 0 {
		t.Skip("SKIPPED: no photographs in models/examples; `make test` fetches them")
	}
	dir := t.TempDir()
	for _, ring := range []string{"bona-fide/one", "bona-fide/two", "attack/card/one", "attack/panel/one"} {
		if err := os.MkdirAll(filepath.Join(dir, ring), 0o700); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(photographs[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, ring, "0.jpg"), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	if status := run(t.Context(), []string{"--models", models, "liveness", dir, "--json"}, &out,
		io.Discard); status != exitRight {
		t.Fatalf("status %d", status)
	}
	var got struct {
		BonaFide *int     `json:"bona_fide"`
		BPCER    *float64 `json:"bpcer"`
		Attacks  map[string]struct {
			N     *int     `json:"n"`
			APCER *float64 `json:"apcer"`
		} `json:"attacks"`
		APCERMax *float64 `json:"apcer_max"`
	}
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.BonaFide == nil || *got.BonaFide != 2 || got.BPCER == nil || got.APCERMax == nil || len(got.Attacks) != 2 ||
		got.Attacks["card"].N == nil || *got.Attacks["card"].N != 1 || got.Attacks["panel"].APCER == nil {
		t.Fatalf("%s", out.Bytes())
	}
	// The same still is either taken for a picture everywhere or nowhere.
	if *got.BPCER != 1-*got.APCERMax || *got.Attacks["card"].APCER != *got.APCERMax {
		t.Errorf("%s", out.Bytes())
	}
	out.Reset()
	if status := run(t.Context(), []string{"--models", models, "liveness", dir, "--single", "--each"}, &out,
		io.Discard); status != exitRight {
		t.Fatalf("status %d", status)
	}
	for _, want := range []string{"BPCER", "card (APCER)", "panel (APCER)", "The worst species decides",
		"/one, frame 0: "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said in\n%s", want, &out)
		}
	}
	if status := run(t.Context(), []string{"--models", models, "liveness", t.TempDir()}, io.Discard,
		&out); status != exitFailed || !strings.Contains(out.String(), "bona-fide/RING") {
		t.Errorf("an empty folder: status %d, %s", status, &out)
	}
}

// Two rings of Ada's and one of somebody else's, one of them by night: what is
// told of each condition, and what is said of a list that is wrong.
func TestLivenessByCondition(t *testing.T) {
	outcome := func(species, name, person, condition string, p float64) trial.Outcome {
		level := house.NoSign
		if p >= 0.5 {
			level = house.Picture
		}
		return trial.Outcome{Ring: trial.Ring{Species: species, Name: name, Person: person, Condition: condition},
			Together: &house.Liveness{Level: level, Probability: p, Frames: 3}}
	}
	outcomes := []trial.Outcome{
		outcome("", "ada-1", "ada", "night", 0.6), outcome("", "ada-2", "ada", "", 0.1),
		outcome("", "bo-1", "", "day", 0.2),
		outcome("print", "ada-3", "ada", "night", 0.3), outcome("print", "ada-4", "ada", "night", 0.9),
	}
	report := padReportOf(outcomes)
	report.wrong, report.Conditions = mistaken(outcomes), byCondition(outcomes)
	if report.BPCERInterval != trial.Resampled || report.Conditions["day"].BPCERInterval != trial.Exact ||
		len(report.Conditions) != 2 {
		t.Errorf("%+v", report)
	}
	if night := report.Conditions["night"]; night.BonaFide != 1 || night.BPCER != 1 || night.Attacks["print"].N != 2 ||
		night.Attacks["print"].APCER != 0.5 {
		t.Errorf("night: %+v", night)
	}
	var out bytes.Buffer
	report.write(&out)
	for _, want := range []string{"attack/print/ada-3: no-sign", "Condition: day", "Condition: night",
		"persons resampled",
		"persons and print", "not measured"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said in\n%s", want, &out)
		}
	}
	// JSON can hold all of it: nothing is no number.
	if _, err := json.Marshal(report); err != nil {
		t.Error(err)
	}
}

func TestLivenessList(t *testing.T) {
	dir := t.TempDir()
	for _, ring := range []string{"bona-fide/ada-01", "attack/print/ada-03"} {
		if err := os.MkdirAll(filepath.Join(dir, ring), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, ring, "0.jpg"), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	list := filepath.Join(dir, "list.csv")
	if err := os.WriteFile(list, []byte("ring,person,condition\nbona-fide/bo,,\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if status := run(t.Context(), []string{"liveness", dir, "--by", list}, io.Discard, &said); status != exitFailed ||
		!strings.Contains(said.String(), `line 2: there is no ring "bona-fide/bo"`) {
		t.Errorf("status %d, %s", status, &said)
	}
}
