package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// A managed server is a process that systemd's own tool starts, with sockets that it
// opened, and that tells a service manager how it is.
type managed struct {
	*flooded
	broker string
	hears  *net.UnixConn
	cmd    *exec.Cmd
	ended  func() error // waits for the end
}

// newManaged has a household and what a service manager listens on.
func newManaged(t *testing.T) *managed {
	if _, err := exec.LookPath("systemd-socket-activate"); err != nil {
		t.Skip("SKIPPED: there is no systemd-socket-activate here to pass sockets")
	}
	m := &managed{flooded: &flooded{household: newHousehold(t), secrets: make(map[string]string)}}
	m.secrets["gate"] = m.lintel("bell", "add", "gate")
	m.token = m.lintel("token", "add", "watch", "--scope", "read-visits")
	m.url = "http://" + m.listen
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err == nil {
		m.broker = l.Addr().String()
		l.Close()
		m.hears, err = net.ListenUnixgram("unixgram", &net.UnixAddr{Net: "unixgram", Name: filepath.Join(t.TempDir(), "n")})
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.hears.Close() })
	return m
}

// start starts the server by systemd-socket-activate, which waits for the first to
// connect. Before the server's own words come others, such as strace's.
func (m *managed) start(before ...string) {
	m.t.Helper()
	words := []string{"-l", m.listen, "-l", m.broker, "--fdname=pages:mqtt",
		"-E", "NOTIFY_SOCKET=" + m.hears.LocalAddr().String(), "-E", "WATCHDOG_USEC=2000000",
		"-E", mainly + "=" + strings.Join(m.args("serve"), "\n"),
		"-E", "LINTEL_CHANGES=" + filepath.Join(m.t.TempDir(), "changes")}
	m.cmd = exec.Command("systemd-socket-activate", slices.Concat(words, before,
		[]string{os.Args[0], "-test.run=^TestMainProcess$"})...)
	m.cmd.Stdout = m.t.Output()
	says, err := m.cmd.StderrPipe()
	if err == nil {
		err = m.cmd.Start()
	}
	if err != nil {
		m.t.Fatal(err)
	}
	lines := bufio.NewReader(says)
	for range 2 { // it listens on both
		line, err := lines.ReadString('\n')
		if err != nil || !strings.HasPrefix(line, "Listening on ") {
			m.t.Fatalf("it began with %q, %v", line, err)
		}
	}
	var reading sync.WaitGroup
	reading.Go(func() { io.Copy(m.t.Output(), lines) })
	m.ended = sync.OnceValue(func() error {
		reading.Wait()
		return m.cmd.Wait()
	})
	m.t.Cleanup(func() {
		m.cmd.Process.Kill() // fails where it has ended
		m.ended()
	})
}

// told waits for the next word that the service manager hears.
func (m *managed) told() string {
	m.t.Helper()
	m.hears.SetReadDeadline(time.Now().Add(time.Minute))
	b := make([]byte, 256)
	n, err := m.hears.Read(b)
	if err != nil {
		m.t.Fatal(err)
	}
	return string(b[:n])
}

// works has the server keep and examine a still, and its broker answer, and ends it.
func (m *managed) works() {
	m.t.Helper()
	waits, err := net.Dial("tcp", m.listen) // which starts it
	if err != nil {
		m.t.Fatal(err)
	}
	defer waits.Close()
	for _, want := range []string{"READY=1", "WATCHDOG=1", "WATCHDOG=1"} {
		if told := m.told(); told != want {
			m.t.Errorf("told %q, want %q", told, want)
		}
	}
	status, visit, err := m.ring(m.t.Context(), "gate", "press-1", 0, aVisitor().JPEG(85))
	if err != nil || status != http.StatusCreated {
		m.t.Fatalf("ringing: %d, %v", status, err)
	}
	m.untilExamined(visit)
	conn, err := net.Dial("tcp", m.broker)
	if err != nil {
		m.t.Fatal(err)
	}
	defer conn.Close()
	// A CONNECT packet of MQTT 3.1.1 without a name, which is answered by a CONNACK that
	// refuses it (OASIS MQTT 3.1.1, sections 3.1 and 3.2).
	conn.Write([]byte("\x10\x0d\x00\x04MQTT\x04\x02\x00\x3c\x00\x01x"))
	if answer, err := io.ReadAll(conn); err != nil || !bytes.HasPrefix(answer, []byte{0x20, 2, 0}) {
		m.t.Errorf("the broker answered %x, %v", answer, err)
	}
	m.cmd.Process.Signal(syscall.SIGTERM)
	for told := m.told(); told != "STOPPING=1"; told = m.told() {
		if told != "WATCHDOG=1" {
			m.t.Errorf("told %q at the end", told)
		}
	}
	if err := m.ended(); err != nil {
		m.t.Errorf("it ended with %v", err)
	}
}

// The server serves on sockets that it is passed, says that it is ready, lives and
// stops, and opens no socket of the network itself.
//
// Outside: systemd-socket-activate passes the sockets, by sd_listen_fds(3).
func TestSocketsPassed(t *testing.T) {
	m := newManaged(t)
	m.start()
	m.works()
}

// spared are calls that the server asks for and does as well without: where memory
// lies and which core computes, by BLAS, and whose a file is, by SQLite as root.
var spared = map[string]bool{"mbind": true, "set_mempolicy": true, "sched_setaffinity": true, "fchown": true}

// Under the filter of the unit's, with every call refused that it does not permit and
// no socket but those of the families that it permits, the server works.
//
// Outside: systemd-analyze says which calls are in a set; strace refuses all others as
// the kernel would, and tells of each.
func TestSystemCallFilter(t *testing.T) {
	for _, name := range []string{"strace", "systemd-analyze"} {
		if _, err := exec.LookPath(name); err != nil {
			t.Skipf("SKIPPED: there is no %s here, so no call was refused", name)
		}
	}
	unit := installed(t, "lib/systemd/system/lintel.service")
	filter := "!?" + strings.Join(permitted(t, unit), ",?")
	calls := filepath.Join(t.TempDir(), "calls")
	m := newManaged(t)
	m.start("strace", "-D", "-f", "-q", "--seccomp-bpf", "-o", calls, "-e", "trace="+filter[:1]+strings.ReplaceAll(
		filter[1:], ",?socket,", ","), "-e", "inject="+filter+":error=EPERM")
	m.works()
	said, err := os.ReadFile(calls)
	if err != nil {
		t.Fatal(err)
	}
	families := regexp.MustCompile(`(?m)^RestrictAddressFamilies=(.*)$`).FindStringSubmatch(unit)[1]
	sockets, refused := 0, map[string]int{}
	for _, call := range regexp.MustCompile(`(?m)^\d+ +(\w+)\((\w*).*$`).FindAllStringSubmatch(string(said), -1) {
		switch {
		case call[1] == "socket":
			sockets++
			if !slices.Contains(strings.Fields(families), call[2]) {
				t.Errorf("opened a socket of another family: %s", call[0])
			}
		default:
			refused[call[1]]++
			if !spared[call[1]] {
				t.Errorf("the filter refuses %s", call[0])
			}
		}
	}
	t.Logf("refused without harm: %v", refused)
	if sockets == 0 {
		t.Errorf("strace saw no socket, not even the service manager's: %s", said)
	}
}

// installed is what a file of a staged installation says.
func installed(t *testing.T, path string) string {
	t.Helper()
	root := t.TempDir()
	if status, _, says := lintelAt(t, "install", "--root", root); status != exitRight {
		t.Fatalf("status %d: %s", status, says)
	}
	text, err := os.ReadFile(filepath.Join(root, "usr/local", path))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// permitted are the system calls that a unit permits, in the order of systemd.exec(5):
// each line adds, or with a ~ takes away.
func permitted(t *testing.T, unit string) []string {
	t.Helper()
	all := map[string]bool{}
	for _, call := range callsOf(t, "@default") { // always permitted
		all[call] = true
	}
	lines := regexp.MustCompile(`(?m)^SystemCallFilter=(~?)(.*)$`).FindAllStringSubmatch(unit, -1)
	for _, line := range lines {
		for _, name := range strings.Fields(line[2]) {
			for _, call := range callsOf(t, name) {
				all[call] = line[1] == ""
			}
		}
	}
	var calls []string
	for call, may := range all {
		if may {
			calls = append(calls, call)
		}
	}
	slices.Sort(calls)
	if len(lines) < 2 || len(calls) < 200 || all["reboot"] || all["mount"] || all["ptrace"] {
		t.Fatalf("%d lines permit %d calls: %v", len(lines), len(calls), calls)
	}
	return calls
}

// callsOf are the system calls in a set of systemd's, and in those within.
func callsOf(t *testing.T, name string) (calls []string) {
	t.Helper()
	if !strings.HasPrefix(name, "@") {
		return []string{name}
	}
	out, err := exec.Command("systemd-analyze", "--no-pager", "syscall-filter", name).Output()
	if err != nil {
		t.Fatalf("asking systemd-analyze for %s: %v", name, err)
	}
	for _, line := range strings.Split(string(out), "\n")[1:] {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			calls = append(calls, callsOf(t, line)...)
		}
	}
	return calls
}

// What can't be used of what is passed is refused, and not left to wait for ever.
func TestPassedWrongly(t *testing.T) {
	if _, err := exec.LookPath("systemd-socket-activate"); err != nil {
		t.Skip("SKIPPED: there is no systemd-socket-activate here to pass sockets")
	}
	h := newHousehold(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	other := l.Addr().String()
	l.Close()
	for _, names := range []string{"pages:pages", "pages:mail"} {
		cmd := exec.Command("systemd-socket-activate", "-l", h.listen, "-l", other, "--fdname="+names, "-E",
			mainly+"="+strings.Join(h.args("serve"), "\n"), os.Args[0], "-test.run=^TestMainProcess$")
		says, err := cmd.StderrPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewReader(says)
		lines.ReadString('\n')
		lines.ReadString('\n')
		conn, err := net.Dial("tcp", h.listen)
		if err != nil {
			t.Fatal(err)
		}
		rest, err := io.ReadAll(lines)
		conn.Close()
		if cmd.Wait(); err != nil || cmd.ProcessState.ExitCode() != exitFailed ||
			!strings.Contains(string(rest), "A socket was passed") {
			t.Errorf("%s: status %d, %s %v", names, cmd.ProcessState.ExitCode(), rest, err)
		}
	}
}

// `lintel version` names the files that answers rest on, as sha256sum has them.
//
// Outside: sha256sum of GNU coreutils.
func TestVersion(t *testing.T) {
	h := newHousehold(t)
	var v struct {
		Version, Go string
		Models      []modelFile
	}
	if err := json.Unmarshal([]byte(h.lintel("version", "--json")), &v); err != nil || v.Go == "" || v.Version == "" {
		t.Fatalf("%+v, %v", v, err)
	}
	var sums bytes.Buffer
	for _, m := range v.Models {
		if m.State == "ok" {
			fmt.Fprintf(&sums, "%s  %s\n", m.SHA256, m.Name)
		}
	}
	check := exec.Command("sha256sum", "--check", "--strict")
	check.Dir, check.Stdin = h.models, &sums
	if out, err := check.CombinedOutput(); err != nil || len(v.Models) < 4 {
		t.Errorf("%d files: %s %v", len(v.Models), out, err)
	}
	if text := h.lintel("version"); !strings.Contains(text, v.Models[0].SHA256+"  "+v.Models[0].Name) ||
		!strings.Contains(text, v.Go) {
		t.Errorf("it says %s", text)
	}
}
