package main

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"
)

type ringCmd struct {
	Files  []string `arg:"" name:"file" help:"Photographs, the frames of the ring in their order." type:"existingfile"`
	Bell   string   `help:"The bell to ring as." default:"front" env:"LINTEL_BELL" placeholder:"NAME"`
	Secret string   `help:"${ring_secret}" env:"LINTEL_BELL_SECRET" required:"" placeholder:"SECRET"`
	Server string   `help:"Where the server is." default:"http://localhost:8420" env:"LINTEL_SERVER" placeholder:"URL"`
	Ring   string   `help:"The ring's id; a new one if not said." placeholder:"ID"`
	JSON   bool     `name:"json" help:"Print JSON."`
}

func (c *ringCmd) Run(g *globals) error {
	ring := c.Ring
	if ring == "" {
		ring = time.Now().UTC().Format("20060102T150405Z-") + rand.Text()[:6]
	}
	var receipts []json.RawMessage
	for frame, file := range c.Files {
		receipt, err := c.send(g, ring, frame, file)
		if err != nil {
			return failed(err, "ring-broke-off", "File", file, "Error", err, "Kept", frame, "Of", len(c.Files), "Ring", ring)
		}
		receipts = append(receipts, receipt)
	}
	return g.print(c.JSON, receipts, func(w io.Writer) {
		tell(w, "rang", "Bell", c.Bell, "Ring", ring, "Kept", len(receipts))
	})
}

// send sends one frame as a bell does, and returns the server's receipt.
func (c *ringCmd) send(g *globals, ring string, frame int, file string) (json.RawMessage, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("reading: %w", err)
	}
	to := strings.TrimSuffix(c.Server, "/") + "/api/v1/bells/" + url.PathEscape(c.Bell) + "/stills"
	req, err := http.NewRequestWithContext(g.ctx, http.MethodPost, to, bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("asking %s: %w", to, err)
	}
	req.Header.Set("Authorization", "Bearer "+c.Secret)
	req.Header.Set("Content-Type", pictureType(data))
	req.Header.Set("Lintel-Ring", ring)
	req.Header.Set("Lintel-Frame", fmt.Sprint(frame))
	req.Header.Set("Lintel-Taken-At", time.Now().Format(time.RFC3339Nano))
	client := http.Client{Timeout: time.Minute}
	resp, err := client.Do(req)
	if err != nil {
		return nil, failed(err, "ring-unsent", "Error", err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil {
		return nil, fmt.Errorf("reading the answer: %w", err)
	}
	if resp.StatusCode != http.StatusCreated && resp.StatusCode != http.StatusOK {
		var problem struct{ Title, Detail string }
		if json.Unmarshal(answer, &problem) != nil {
			problem.Title = strings.TrimSpace(string(answer))
		}
		return nil, failed(nil, "ring-refused", "Status", resp.Status, "Problem", cmp.Or(problem.Detail, problem.Title))
	}
	return answer, nil
}

// pictureType is the type a bell would state; the server looks for itself.
func pictureType(data []byte) string {
	if t := http.DetectContentType(data); t == "image/png" {
		return t
	}
	return "image/jpeg"
}
