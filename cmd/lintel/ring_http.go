package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"lintel/pipeline/bell"
)

// An httpLine is how a bell reaches the server by HTTP.
type httpLine struct {
	server, bell, secret string
	tag                  string // of what the display shows
}

// answerTime is how long a bell waits for an answer.
const answerTime = time.Minute

func (l *httpLine) Still(ctx context.Context, ring string, number int, f frame, picture []byte) (json.RawMessage,
	error) {
	headers := http.Header{"Content-Type": {pictureType(picture)}, "Lintel-Ring": {ring},
		"Lintel-Frame": {strconv.Itoa(number)}}
	if !f.takenAt.IsZero() {
		headers.Set("Lintel-Taken-At", f.takenAt.Format(time.RFC3339Nano))
	}
	_, _, receipt, err := l.ask(ctx, http.MethodPost, "/stills", headers, picture)
	return receipt, err
}

func (l *httpLine) Heartbeat(ctx context.Context, beat []byte) (next time.Duration, err error) {
	headers := http.Header{"Content-Type": {"application/json"}}
	_, _, body, err := l.ask(ctx, http.MethodPost, "/heartbeat", headers, beat)
	if err != nil {
		return 0, err
	}
	var answer bell.Answer
	if err := json.Unmarshal(body, &answer); err != nil {
		return 0, fmt.Errorf("reading the answer to a heartbeat: %w", err)
	}
	return time.Duration(answer.Next) * time.Second, nil
}

func (l *httpLine) Display(ctx context.Context, wait time.Duration) (page bell.Page, changed bool, err error) {
	path := fmt.Sprintf("/display?wait=%d", int(wait.Seconds()))
	status, headers, body, err := l.ask(ctx, http.MethodGet, path, http.Header{"If-None-Match": {l.tag}}, nil)
	if err != nil || status == http.StatusNotModified {
		return page, false, err
	}
	if err := json.Unmarshal(body, &page); err != nil {
		return page, false, fmt.Errorf("reading what to show: %w", err)
	}
	l.tag = headers.Get("ETag")
	return page, true, nil
}

func (l *httpLine) Shown(ctx context.Context, message string) error {
	_, _, _, err := l.ask(ctx, http.MethodPost, "/display/"+url.PathEscape(message)+"/shown", http.Header{}, nil)
	return err
}

func (l *httpLine) Close() {}

// ask asks the server once. What it refuses is a refusal, and so is that it is not
// there.
func (l *httpLine) ask(ctx context.Context, method, path string, headers http.Header, body []byte) (status int,
	answered http.Header, answer []byte, err error) {
	to := strings.TrimSuffix(l.server, "/") + "/api/v1/bells/" + url.PathEscape(l.bell) + path
	req, err := http.NewRequestWithContext(ctx, method, to, bytes.NewReader(body))
	if err != nil {
		return 0, nil, nil, fmt.Errorf("asking %s: %w", to, err)
	}
	req.Header = headers
	req.Header.Set("Authorization", "Bearer "+l.secret)
	client := http.Client{Timeout: longestAsk + answerTime}
	resp, err := client.Do(req)
	if err != nil {
		return 0, nil, nil, refusal{error: failed(err, "ring-unsent", "Error", err)}
	}
	defer resp.Body.Close()
	answer, err = io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return 0, nil, nil, refusal{error: failed(err, "ring-unsent", "Error", err)}
	}
	if resp.StatusCode/100 != 2 && resp.StatusCode != http.StatusNotModified {
		return 0, nil, nil, refused(resp, answer)
	}
	return resp.StatusCode, resp.Header, answer, nil
}

// refused reads a refusal: problem+json (RFC 9457), or what something between here and
// the server says.
func refused(resp *http.Response, answer []byte) refusal {
	var problem struct{ Type, Title, Detail string }
	if json.Unmarshal(answer, &problem) != nil {
		problem.Title = strings.TrimSpace(string(answer))
	}
	return refusal{
		error: failed(nil, "ring-refused", "Status", resp.Status, "Problem", cmp.Or(problem.Detail, problem.Title)),
		does:  verdictOf(resp.StatusCode, strings.TrimPrefix(problem.Type, "/problems/")), after: retryAfter(resp.Header),
	}
}

// verdictOf is the table of docs/bell.
func verdictOf(status int, kind string) verdict {
	switch {
	case status >= 500, status == http.StatusTooManyRequests, status == http.StatusRequestTimeout,
		kind == "cut-short":
		return sendAgain
	case status == http.StatusUnauthorized, kind == "unknown-bell", status < 400:
		return giveUp
	}
	return passOver
}

// retryAfter is how long the server wants to be left alone: a number of seconds, or a
// date (RFC 9110, section 10.2.3), which is measured against the server's own clock.
func retryAfter(h http.Header) time.Duration {
	if s, err := strconv.Atoi(h.Get("Retry-After")); err == nil {
		return time.Duration(max(0, s)) * time.Second
	}
	at, err := http.ParseTime(h.Get("Retry-After"))
	now, errNow := http.ParseTime(h.Get("Date"))
	if err != nil || errNow != nil {
		return 0
	}
	return max(0, at.Sub(now))
}
