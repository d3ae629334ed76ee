package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// A block is an example of docs/bell: a request as it is, or commands, and their answer.
type block struct {
	kind, text, answer string
}

func bellBlocks(t *testing.T) (page string, all []block) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(bellDocs, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range regexp.MustCompile("(?ms)^```(http|sh)\n(.*?)^```\n(?:```answer\n(.*?)^```\n)?").
		FindAllStringSubmatch(string(text), -1) {
		all = append(all, block{b[1], b[2], b[3]})
	}
	return string(text), all
}

// What differs each time: ids, times and how often heartbeats come.
var differs = regexp.MustCompile(`[A-Z2-7]{26}|\d{4}-\d\d-\d\dT[0-9:.]+Z|"next_s":\d+`)

// TestBellDocs does what docs/bell says: with curl, with mosquitto's clients, and as the
// bytes of its requests.
func TestBellDocs(t *testing.T) {
	for _, tool := range []string{"curl", "mosquitto_pub", "mosquitto_sub"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("SKIPPED: there is no %s here, so the examples of docs/bell were not run", tool)
		}
	}
	h := newBellHouse(t)
	h.opens()
	defer func() { h.stop() }()
	still := aVisitor().JPEG(85)
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "still.jpg"), still, 0o600); err != nil {
		t.Fatal(err)
	}
	message, ran := "", map[string]int{}
	_, all := bellBlocks(t)
	for _, b := range all {
		ran[b.kind]++
		if b.kind == "http" {
			h.sendsRaw(b.text, still)
			continue
		}
		if message == "" && strings.Contains(b.text, "/display") {
			h.says("Coming!")
			message = h.message()
		}
		out := h.shell(b.text, dir, message)
		if want := differs.ReplaceAllString(b.answer, "*"); differs.ReplaceAllString(out, "*") != want {
			t.Errorf("%s\nanswered\n%s\nwant\n%s", b.text, out, b.answer)
		}
	}
	if ran["http"] != 2 || ran["sh"] != 7 {
		t.Errorf("ran %v", ran)
	}
	if m, err := h.current(); err != nil || m.ShownAt.IsZero() {
		t.Errorf("the message %+v, %v", m, err)
	}
	if status := h.sends("press-0002", "1", still, ""); status != "200 " {
		t.Errorf("a still that came by MQTT was answered %s when it came by HTTP", status)
	}
}

// shell runs commands of the page.
func (h *bellHouse) shell(commands, dir, message string) (out string) {
	h.t.Helper()
	ctx, cancel := context.WithTimeout(h.t.Context(), time.Minute)
	defer cancel()
	host, port, err := net.SplitHostPort(h.mqtt)
	if err != nil {
		h.t.Fatal(err)
	}
	c := exec.CommandContext(ctx, "sh", "-eu", "-c", commands)
	c.Dir = dir
	c.Env = append(os.Environ(), "SERVER="+h.url, "SECRET="+h.secret, "HOST="+host, "PORT="+port,
		"MESSAGE="+message, "TIME="+time.Now().UTC().Format(time.RFC3339))
	var errs bytes.Buffer
	c.Stderr = &errs
	text, err := c.Output()
	if err != nil {
		h.t.Errorf("%s\n%v: %s", commands, err, &errs)
	}
	return string(text)
}

// sendsRaw sends a request as the page has it, with what is this house's in it.
func (h *bellHouse) sendsRaw(request string, still []byte) {
	h.t.Helper()
	if head, body, _ := strings.Cut(request, "\n\n"); strings.HasPrefix(body, "STILL") {
		request = head + "\n\n" + string(still)
	} else {
		request = head + "\n\n" + strings.TrimSuffix(body, "\n")
	}
	head, body, _ := strings.Cut(request, "\n\n")
	head = strings.NewReplacer("\n", "\r\n", "SECRET", h.secret, "LENGTH", strconv.Itoa(len(still)), "192.168.1.7",
		h.listen, "TIME", time.Now().UTC().Format(time.RFC3339)).Replace(head)
	conn, err := new(net.Dialer).DialContext(h.t.Context(), "tcp", h.listen)
	if err != nil {
		h.t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(time.Minute))
	if _, err := fmt.Fprintf(conn, "%s\r\n\r\n%s", head, body); err != nil {
		h.t.Fatal(err)
	}
	var answer bytes.Buffer
	if _, err := answer.ReadFrom(conn); err != nil { // up to its end: HTTP/1.0
		h.t.Fatal(err)
	}
	if status := strings.Fields(answer.String() + " - -")[1]; status != "201" && status != "200" {
		h.t.Errorf("%s\nwas answered\n%s", head, &answer)
	}
}

// sends sends a still, and returns the status and the type of the answer.
func (h *bellHouse) sends(ring, frame string, body []byte, taken string) string {
	h.t.Helper()
	return h.sendsAs("front", h.secret, map[string]string{"Lintel-Ring": ring, "Lintel-Frame": frame,
		"Lintel-Taken-At": taken, "Content-Type": "image/jpeg"}, "/stills", body)
}

func (h *bellHouse) sendsAs(bell, secret string, headers map[string]string, path string, body []byte) string {
	h.t.Helper()
	req, err := http.NewRequestWithContext(h.t.Context(), cmp.Or(headers["method"], "POST"),
		h.url+"/api/v1/bells/"+bell+path, bytes.NewReader(body))
	if err != nil {
		h.t.Fatal(err)
	}
	for name, value := range headers {
		if value != "" && name != "method" {
			req.Header.Set(name, value)
		}
	}
	req.Header.Set("Authorization", "Bearer "+secret)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	return fmt.Sprint(resp.StatusCode, " ", typeOf(resp))
}

// typeOf is the type of a problem (RFC 9457), "" where there is none.
func typeOf(resp *http.Response) string {
	var problem struct{ Type string }
	if json.NewDecoder(resp.Body).Decode(&problem) != nil {
		return ""
	}
	return strings.TrimPrefix(problem.Type, "/problems/")
}

// current is the message that the bell has to show.
func (h *bellHouse) current() (m house.Message, err error) {
	h.t.Helper()
	err = h.archive(func(a *store.Archive) (err error) {
		m, _, err = a.CurrentMessage(h.t.Context(), "front")
		return err
	})
	return m, err
}

func (h *bellHouse) message() (id string) {
	h.t.Helper()
	m, err := h.current()
	if err != nil || m.ID == "" {
		h.t.Fatalf("the message %+v, %v", m, err)
	}
	return m.ID
}

// TestBellTable provokes the refusals of the page's table, and has `lintel ring` do what
// it says of each.
func TestBellTable(t *testing.T) {
	h := newBellHouse(t)
	h.opens()
	defer func() { h.stop() }()
	still := aVisitor().JPEG(85)
	type m = map[string]string
	right := m{"Lintel-Ring": "R", "Lintel-Frame": "0", "Content-Type": "image/jpeg"}
	h.sends("R", "0", still, "")
	provoked := map[string]string{
		"400 bad-ring":        h.sends("a ring", "0", still, ""),
		"400 bad-frame":       h.sends("R", "16", still, ""),
		"400 bad-time":        h.sends("R", "0", still, "noon"),
		"400 bad-query":       h.sendsAs("front", h.secret, m{"method": "GET"}, "/display?wait=61", nil),
		"400 bad-heartbeat":   h.sendsAs("front", h.secret, nil, "/heartbeat", []byte("well")),
		"401 wrong-secret":    h.sendsAs("front", "wrong", right, "/stills", still),
		"403 cross-origin":    h.sendsAs("front", h.secret, m{"Sec-Fetch-Site": "cross-site"}, "/heartbeat", []byte("{}")),
		"404 unknown-bell":    h.sendsAs("shed", h.secret, right, "/stills", still),
		"404 unknown-message": h.sendsAs("front", h.secret, nil, "/display/NONE/shown", nil),
		"409 other-bytes":     h.sends("R", "0", append(still[:len(still):len(still)], 1), ""),
		"413 too-large":       h.sendsAs("front", h.secret, nil, "/heartbeat", make([]byte, 1025)),
		"415 wrong-type":      h.sendsAs("front", h.secret, m{"Lintel-Ring": "R", "Lintel-Frame": "1"}, "/stills", still),
		"422 not-a-picture":   h.sends("R", "1", []byte("a drawing"), ""),
	}
	for range 12 {
		h.sendsAs("front", h.secret, nil, "/heartbeat", []byte("{}"))
	}
	provoked["429 too-often"] = h.sendsAs("front", h.secret, nil, "/heartbeat", []byte("{}"))
	for want, got := range provoked {
		if got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	page, _ := bellBlocks(t)
	does := map[string]verdict{"again": sendAgain, "next": passOver, "stop": giveUp, "ask": passOver}
	rows := regexp.MustCompile(`(?m)^\| (\d+) \| ([a-z-]+) \| ([a-z]+)`).FindAllStringSubmatch(page, -1)
	for _, row := range rows {
		status, err := strconv.Atoi(row[1])
		want, known := does[row[3]]
		if got := verdictOf(status, row[2]); err != nil || !known || got != want {
			t.Errorf("the page says of %s %s: %s; lintel ring does %v", row[1], row[2], row[3], got)
		}
		delete(provoked, row[1]+" "+row[2])
	}
	if len(rows) != 20 || len(provoked) > 0 {
		t.Errorf("%d rows; the table lacks %v", len(rows), provoked)
	}
}
