package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lintel/pipeline/face/doorstep"
)

// The command on photographs of persons, in both roles: whether it counts, not
// how well it does.
func TestLivenessCommand(t *testing.T) {
	models := doorstep.NeedModels(t)
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
	if status := run(t.Context(), []string{"--models", models, "liveness", dir, "--json"}, &out, io.Discard); status != exitRight {
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
	if status := run(t.Context(), []string{"--models", models, "liveness", dir, "--single", "--each"}, &out, io.Discard); status != exitRight {
		t.Fatalf("status %d", status)
	}
	for _, want := range []string{"BPCER", "card (APCER)", "panel (APCER)", "The worst species decides", "/one, frame 0: "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said in\n%s", want, &out)
		}
	}
	if status := run(t.Context(), []string{"--models", models, "liveness", t.TempDir()}, io.Discard, &out); status != exitFailed || !strings.Contains(out.String(), "bona-fide/RING") {
		t.Errorf("an empty folder: status %d, %s", status, &out)
	}
}
