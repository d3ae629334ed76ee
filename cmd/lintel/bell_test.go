package main

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestBellLens(t *testing.T) {
	dir := t.TempDir()
	where := []string{"--data", filepath.Join(dir, "data"), "--key", filepath.Join(dir, "key")}
	says := func(status int, want string, args ...string) {
		t.Helper()
		got, out, complaint := lintelAt(t, append(append([]string{"bell"}, args...), where...)...)
		if got != status || !strings.Contains(out+complaint, want) {
			t.Errorf("bell %v: status %d, %q %q, want %d and %q", args, got, out, complaint, status, want)
		}
	}
	says(exitFailed, "no archive", "lens", "front")
	says(exitRight, "", "add", "front")
	says(exitRight, "not known", "lens", "front")
	says(exitRight, `"lens": null`, "lens", "front", "--json")
	says(exitUsage, "all of --angle, --projection, --height and --tilt are needed", "lens", "front", "--angle", "110")
	says(exitRight, "angle 110 degrees, straight, height 1.4 m, tilt -5 degrees", "lens", "front", "--angle", "110",
		"--projection", "straight", "--height", "1.4", "--tilt=-5")
	says(exitRight, "angle 110 degrees, straight, height 1.5 m, tilt -5 degrees", "lens", "front", "--height", "1.5")
	says(exitRight, `"projection": "equidistant"`, "lens", "front", "--projection", "equidistant", "--json")
	says(exitFailed, "20 to 200 degrees", "lens", "front", "--angle", "201")
	says(exitFailed, "20 to 200 degrees", "lens", "front", "--angle", "NaN")
	says(exitFailed, "straight or equidistant", "lens", "front", "--projection", "round")
	says(exitUsage, "lintel --help", "lens", "front", "--angle", "wide")
	says(exitUsage, "--clear", "lens", "front", "--clear", "--tilt", "0")
	says(exitRight, "angle 110 degrees, equidistant, height 1.5 m, tilt -5 degrees", "lens", "front")
	says(exitFailed, "not found", "lens", "yard", "--clear")
	says(exitRight, "not known", "lens", "front", "--clear")
	says(exitRight, "not known", "lens", "front")
}

// A bell whose secret was lost gets another; whoever adds it again is told how.
func TestBellRenew(t *testing.T) {
	dir := t.TempDir()
	where := []string{"--data", filepath.Join(dir, "data"), "--key", filepath.Join(dir, "key")}
	says := func(status int, args ...string) (out, complaint string) {
		t.Helper()
		got, out, complaint := lintelAt(t, append(append([]string{"bell"}, args...), where...)...)
		if got != status {
			t.Errorf("bell %v: status %d, %q %q, want %d", args, got, out, complaint, status)
		}
		return out, complaint
	}
	first, _ := says(exitRight, "add", "By the pump")
	if _, complaint := says(exitFailed, "add", "by the pump"); !strings.Contains(complaint, `lintel bell renew "by the pump"`) {
		t.Errorf("whoever lost the secret is told: %q", complaint)
	}
	second, _ := says(exitRight, "renew", "By the pump")
	if len(second) != len(first) || second == first {
		t.Errorf("the secrets are %q, then %q", first, second)
	}
	says(exitFailed, "renew", "yard")
}
