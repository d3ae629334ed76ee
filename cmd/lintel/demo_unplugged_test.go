package main

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/cookiejar"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"lintel/internal/supplies"
)

// unplugged is set in a process that has a network of its own, with nothing in it but
// itself.
const unplugged = "LINTEL_TEST_UNPLUGGED"

// TestDemoUnplugged plays a demo to its end where there is no network, until somebody is
// known who rings live, and looks what it asked of the kernel meanwhile: nothing but
// connections to itself.
//
// Outside: network namespaces, unshare(1) and ip(8); the counters of RFC 1213, as proc(5)
// shows them in /proc/net/snmp, which count what had no route.
func TestDemoUnplugged(t *testing.T) {
	if raceDetector || testing.Short() {
		t.Skip("SKIPPED: two weeks are drawn and examined")
	}
	supplies.NeedModels(t)
	if os.Getenv(unplugged) != "" {
		playUnplugged(t)
		return
	}
	script := `ip link set lo up && exec "$0" "$@"`
	try := exec.Command("unshare", "--net", "sh", "-c", script, "true")
	if said, err := try.CombinedOutput(); err != nil {
		t.Skipf("SKIPPED: no network of one's own can be had here: %v: %s", err, said)
	}
	cmd := exec.Command("unshare", "--net", "sh", "-c", script, os.Args[0], "-test.run=^TestDemoUnplugged$", "-test.v",
		"-test.timeout=30m")
	cmd.Env = append(os.Environ(), unplugged+"=1")
	said, err := cmd.CombinedOutput()
	t.Logf("%s", said)
	if err != nil {
		t.Error(err)
	}
}

// playUnplugged is what goes on there.
func playUnplugged(t *testing.T) {
	if _, err := net.DialTimeout("tcp", "192.0.2.1:9", time.Second); err == nil { // TEST-NET-1, RFC 5737
		t.Fatal("there is a network")
	}
	if routeless(t) == 0 {
		t.Fatal("what has no route is not counted")
	}
	before := routeless(t)
	p := newPlace(t)
	began := time.Now()
	d := p.demo(t)
	link := strings.TrimSpace(d.says("/demo?token=", 25*time.Minute))
	t.Logf("the past was filled within %s, all it took included", time.Since(began).Round(time.Second))
	ready := time.Now()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	browser := &http.Client{Jar: jar, Timeout: time.Minute}
	resp, err := browser.Get(link)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%v, %v", resp, err)
	}
	resp.Body.Close()
	base, _, _ := strings.Cut(link, "/demo?")
	name := liveName(t, browser, base, ready)
	t.Logf("%s rang and was known %s after that", name, time.Since(ready).Round(time.Second))
	checkSockets(t)
	if after := routeless(t); after != before {
		t.Errorf("%d attempts to reach something that is not this machine", after-before)
	}
	if status := d.ends(syscall.SIGINT); status != exitRight {
		t.Errorf("status %d", status)
	}
	for _, path := range p.has(t) {
		if strings.Contains(path, demoPrefix) {
			t.Errorf("left %s", path)
		}
	}
}

// liveName waits until somebody is known who rang since a time.
func liveName(t *testing.T, browser *http.Client, base string, since time.Time) string {
	t.Helper()
	poll, late := time.NewTicker(500*time.Millisecond), time.NewTimer(5*time.Minute)
	defer poll.Stop()
	defer late.Stop()
	for {
		resp, err := browser.Get(base + "/api/v1/visits?limit=20")
		if err != nil {
			t.Fatal(err)
		}
		var page struct {
			Visits []struct {
				At     time.Time `json:"received_at"`
				Stills []struct {
					Faces []struct {
						Match *struct{ Name string }
					}
				}
			}
		}
		err = json.NewDecoder(resp.Body).Decode(&page)
		resp.Body.Close()
		if err != nil || len(page.Visits) == 0 {
			t.Fatalf("%v, %d visits", err, len(page.Visits))
		}
		for _, v := range page.Visits {
			for _, s := range v.Stills {
				for _, f := range s.Faces {
					if v.At.After(since) && f.Match != nil && f.Match.Name != "" {
						return f.Match.Name
					}
				}
			}
		}
		select {
		case <-poll.C:
		case <-late.C:
			t.Fatal("nobody was known within five minutes")
		}
	}
}

// routeless counts what was to be sent in this network and had nowhere to go, by IPv4
// and IPv6.
func routeless(t *testing.T) (n int) {
	t.Helper()
	four, err := os.ReadFile("/proc/net/snmp")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for line := range strings.Lines(string(four)) {
		fields := strings.Fields(line)
		if fields[0] != "Ip:" {
			continue
		}
		if names == nil {
			names = fields
			continue
		}
		for i, name := range names {
			if name == "OutNoRoutes" {
				n = number(t, fields[i])
			}
		}
	}
	six, err := os.ReadFile("/proc/net/snmp6")
	if err != nil {
		return n // a kernel without IPv6
	}
	for line := range strings.Lines(string(six)) {
		if fields := strings.Fields(line); fields[0] == "Ip6OutNoRoutes" {
			n += number(t, fields[1])
		}
	}
	return n
}

func number(t *testing.T, text string) int {
	t.Helper()
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// ownEnd finds the two addresses of a socket in a file as /proc/net/tcp, in hexadecimal.
var ownEnd = regexp.MustCompile(`(?m)^\s*\d+: ([0-9A-F]+):[0-9A-F]{4} ([0-9A-F]+):[0-9A-F]{4} `)

// checkSockets looks at every socket there is in this network: TCP alone, and each end
// is this machine, 127.0.0.0/8 or ::1 by RFC 6890, or none.
func checkSockets(t *testing.T) {
	t.Helper()
	all := 0
	for _, kind := range []string{"tcp", "tcp6", "udp", "udp6", "raw", "raw6"} {
		table, err := os.ReadFile("/proc/net/" + kind)
		if err != nil {
			t.Logf("no table of %s: %v", kind, err)
			continue
		}
		for _, m := range ownEnd.FindAllStringSubmatch(string(table), -1) {
			all++
			if !strings.HasPrefix(kind, "tcp") || !loopback(m[1]) || !loopback(m[2]) && strings.Trim(m[2], "0") != "" {
				t.Errorf("a socket of %s: %s", kind, m[0])
			}
		}
	}
	if all < 2 {
		t.Errorf("%d sockets: the server and its broker are two", all)
	}
	t.Log(fmt.Sprint(all, " sockets, all of this machine"))
}

// loopback reads an address as the kernel writes it there: words in the machine's byte
// order, here with the lowest byte first.
func loopback(address string) bool {
	switch len(address) {
	case 8:
		return strings.HasSuffix(address, "7F")
	case 32: // ::1, or an address of IPv4
		return address == strings.Repeat("0", 24)+"01000000" ||
			strings.HasPrefix(address, strings.Repeat("0", 16)+"FFFF0000") && strings.HasSuffix(address, "7F")
	}
	return false
}
