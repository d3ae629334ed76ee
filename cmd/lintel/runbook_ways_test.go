package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"lintel/internal/house"
	"lintel/store"
)

// asks a door of the API, and returns the status.
func (h *runbookHouse) asks(browser *http.Client, method, path string, sent, into any) (status int) {
	h.t.Helper()
	body, err := json.Marshal(sent)
	if err != nil {
		h.t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(h.t.Context(), method, h.url+path, bytes.NewReader(body))
	if err != nil {
		h.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := browser.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	if into != nil {
		if err := json.NewDecoder(resp.Body).Decode(into); err != nil {
			h.t.Fatalf("%s %s: %s, %v", method, path, resp.Status, err)
		}
	}
	return resp.StatusCode
}

// posts a form of a page, as a tap on its button does.
func (h *runbookHouse) posts(path string) {
	h.t.Helper()
	resp, err := h.in.PostForm(h.url+path, nil)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK { // after it led somewhere
		h.t.Errorf("%s was answered %s", path, resp.Status)
	}
}

// keepsKey has a copy of the master key on the stick.
func (h *runbookHouse) keepsKey() {
	h.t.Helper()
	key, err := os.ReadFile(h.key)
	if err == nil {
		err = os.WriteFile(filepath.Join(h.mnt, "stick", "master.key"), key, 0o600)
	}
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h *runbookHouse) moves() {
	h.begins()
	h.stop()
	h.lintel("certificate", "make", "lintel.local")
	authority := h.lintel("certificate", "show", "--pem")
	h.keepsKey()
	h.does("")
	secret, link := h.secret, h.link
	if err := os.Rename(h.home, h.home+"-elsewhere"); err != nil { // the new one doesn't see it
		h.t.Fatal(err)
	}
	h.machine(h.t)
	if out := h.does(""); !strings.Contains(out, "1 still") {
		h.t.Errorf("said %s", out)
	}
	if h.lintel("certificate", "show", "--pem") != authority {
		h.t.Error("the authority is another")
	}
	h.lintel("certificate", "remove") // what follows goes without TLS
	h.secret, h.link = secret, link
	h.opens()
	h.rings("R1", "200 ") // which is here already
	h.rings("R2", "201 ")
	h.sees(h.tablet, "/", "/")
	h.sees(h.in, "/upkeep", "/upkeep", "not Nothing is suggested at a door meanwhile")
	if _, status := h.signsIn("a very quiet lantern"); status != http.StatusCreated {
		h.t.Errorf("signing in: %d", status)
	}
	h.stop()
	h.well()
	if n := len(h.visits()); n != 2 {
		h.t.Errorf("%d visits", n)
	}
}

func (h *runbookHouse) losesKey() {
	h.begins()
	h.stop()
	copied := strings.Join(strings.SplitAfterN(h.lintel("key", "copy"), "\n", 6)[:5], "")
	if err := os.Remove(h.key); err != nil {
		h.t.Fatal(err)
	}
	status, _, said := lintelAt(h.t, h.args("verify")...)
	if status != exitFailed || !strings.Contains(said, "The master key is missing") {
		h.t.Errorf("without the key: %d, %s", status, said)
	}
	if err := os.WriteFile(h.key, []byte(strings.Replace(copied, "1", "2", 1)), 0o600); err != nil {
		h.t.Fatal(err)
	}
	status, _, said = lintelAt(h.t, h.args("verify")...)
	if status != exitFailed || !strings.Contains(said, "This is no master key.") {
		h.t.Errorf("with a copy that has a mistake: %d, %s", status, said)
	}
	if out := h.does(copied); !strings.Contains(out, "This copy is right") {
		h.t.Errorf("said %s", out)
	}
	h.well()
	h.opens()
	h.sees(h.tablet, "/", "/")
}

func (h *runbookHouse) losesTablet() {
	h.begins()
	var paired struct{ Tablets []house.Tablet }
	h.asks(h.in, "GET", "/api/v1/tablets", nil, &paired)
	if len(paired.Tablets) != 1 {
		h.t.Fatalf("%+v", paired)
	}
	h.sees(h.in, "/upkeep", "/upkeep", "Hall", "last seen", "Unpair")
	h.posts("/upkeep/tablets/" + paired.Tablets[0].ID + "/unpair")
	h.sees(h.tablet, "/", "/sign-in")
	h.sees(h.in, "/upkeep", "/upkeep", "No tablet is paired.")
}

func (h *runbookHouse) losesPhone() {
	h.begins()
	h.lintel("person", "add", "Ada Quill", "--consent-by", "Ada Quill")
	token := h.lintel("source", "add", "phone", "the blue phone", "--person", "Ada Quill")
	var sources []struct{ ID string }
	if err := json.Unmarshal([]byte(h.lintel("source", "list", "--json")), &sources); err != nil || len(sources) != 1 {
		h.t.Fatalf("%v, %+v", err, sources)
	}
	tells := func() (status int) {
		req, err := http.NewRequestWithContext(h.t.Context(), "POST", h.url+"/api/v1/factors",
			strings.NewReader(`{"token":"a fob"}`))
		if err != nil {
			h.t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", "application/json")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			h.t.Fatal(err)
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	if status := tells(); status != http.StatusForbidden { // it is known, and phones see no fobs
		h.t.Errorf("the phone was answered %d", status)
	}
	if out := h.does("", "ID", sources[0].ID); !strings.Contains(out, "the blue phone") {
		h.t.Errorf("listed %s", out)
	}
	if status := tells(); status != http.StatusUnauthorized {
		h.t.Errorf("the lost phone was answered %d", status)
	}

	lost, _ := h.signsIn("a very quiet lantern")
	h.sees(lost, "/", "/")
	var in struct {
		Sessions []struct {
			ID  string
			Own bool
		}
	}
	h.asks(lost, "GET", "/api/v1/sessions", nil, &in)
	h.sees(h.in, "/upkeep/residents", "/upkeep/residents", "Who is signed in where", "Change the password")
	for _, s := range in.Sessions {
		if s.Own {
			h.posts("/upkeep/sessions/" + s.ID + "/end")
		}
	}
	h.sees(lost, "/", "/sign-in")
	h.sees(h.in, "/", "/")
}

func (h *runbookHouse) forgetsPassword() {
	h.begins()
	if _, status := h.signsIn("a lantern, I think"); status != http.StatusUnauthorized {
		h.t.Errorf("a password that is wrong: %d", status)
	}
	link := strings.TrimSpace(h.does("", "NAME", `"Morgan Vale"`))
	again := h.entersBy(link, url.Values{}, "nine dry wool socks")
	h.sees(h.in, "/", "/sign-in")
	h.sees(h.tablet, "/", "/")
	h.in = again
	h.sees(h.in, "/", "/")
	if _, status := h.signsIn("nine dry wool socks"); status != http.StatusCreated {
		h.t.Errorf("the new password: %d", status)
	}
}

func (h *runbookHouse) fillsDisk() {
	if err := os.Mkdir(h.data, 0o700); err != nil {
		h.t.Fatal(err)
	}
	if err := syscall.Mount("none", h.data, "tmpfs", 0, "size=24m,mode=700"); err != nil {
		h.t.Skipf("SKIPPED, a small file system can't be mounted here: %v", err)
	}
	h.t.Cleanup(func() { syscall.Unmount(h.data, syscall.MNT_DETACH) })
	h.begins()
	h.keepsOld("old")
	const says = "The disk is full or can’t be written. New stills are not kept."
	filler, err := os.Create(filepath.Join(h.data, "filler"))
	if err != nil {
		h.t.Fatal(err)
	}
	defer filler.Close()
	for block := make([]byte, 4096); err == nil; {
		_, err = filler.Write(block)
	}
	h.rings("R2", "507 no-space")
	h.sees(h.tablet, "/", "/", says)
	h.sees(h.tablet, "/visits", "/visits")
	if err := filler.Truncate(16 << 20); err != nil { // a little room
		h.t.Fatal(err)
	}
	if out := h.does(""); !strings.Contains(out, "1 visit") {
		h.t.Errorf("said %s", out)
	}
	h.rings("R2", "201 ")
	h.sees(h.tablet, "/", "/", "not "+says)
	h.stop()
	if out := h.does(""); !strings.Contains(out, "The archive is sound.") {
		h.t.Errorf("said %s", out)
	}
	if n := len(h.visits()); n != 2 {
		h.t.Errorf("%d visits", n)
	}
}

// keepsOld has a visit that is due by the rules.
func (h *runbookHouse) keepsOld(ring string) {
	h.t.Helper()
	err := h.archive(func(a *store.Archive) error {
		visit, _, err := a.Keep(h.t.Context(), house.NewStill{Bell: "front", Ring: ring, JPEG: aVisitor().JPEG(85),
			Width: 1280, Height: 1024, ReceivedAt: time.Now().Add(-100 * 24 * time.Hour)})
		if err != nil {
			return err
		}
		v, err := a.Visit(h.t.Context(), visit)
		if err != nil {
			return err
		}
		return a.Record(h.t.Context(), v.Stills[0].ID, house.Done, nil)
	})
	if err != nil {
		h.t.Fatal(err)
	}
}

// backsUp as the server does each night.
func (h *runbookHouse) backsUp() {
	h.t.Helper()
	h.lintel("backup", filepath.Join(h.mnt, "disk", "lintel"), "--recipient", h.recipient)
}

func (h *runbookHouse) findsDamage() {
	h.begins()
	h.rings("R2", "201 ")
	h.stop()
	h.backsUp()
	stills := stillsIn(h.t, h.data)
	if len(stills) != 2 {
		h.t.Fatalf("%q", stills)
	}
	if err := errors.Join(os.Remove(stills[0]), os.WriteFile(stills[1], []byte("something else"), 0o600)); err != nil {
		h.t.Fatal(err)
	}
	status, _, said := lintelAt(h.t, h.args("verify")...)
	if status != exitFailed || !strings.Contains(said, "not sound") {
		h.t.Errorf("before: %d, %s", status, said)
	}
	h.opens()
	h.sees(h.in, "/upkeep", "/upkeep", "Part of the archive is damaged")
	h.sees(h.in, "/", "/", "Part of the archive is damaged")
	h.stop()
	if out := h.does(""); !strings.Contains(out, "as the backup has it") {
		h.t.Errorf("said %s", out)
	}
	h.well()
	h.opens()
	h.sees(h.in, "/", "/", "not Part of the archive is damaged")
}

func (h *runbookHouse) losesDisk() {
	h.begins()
	h.stop()
	h.backsUp()
	erased := h.visits()[0].ID
	h.lintel("erase", erased)
	h.opens()
	h.rings("R2", "201 ")
	h.stop()
	if err := os.RemoveAll(h.data); err != nil {
		h.t.Fatal(err)
	}
	if out := h.does(""); !strings.Contains(out, "1 still") || !strings.Contains(out, "The archive is sound.") {
		h.t.Errorf("said %s", out)
	}
	if all := h.visits(); len(all) != 1 || all[0].ID != erased {
		h.t.Errorf("%+v", all)
	}
	h.opens()
	h.sees(h.tablet, "/", "/")
	h.sees(h.in, "/upkeep", "/upkeep", "not Nothing is suggested at a door meanwhile")
	h.rings("R3", "201 ")
}

func (h *runbookHouse) changesCamera() {
	h.begins()
	h.lintel("bell", "lens", "front", "--angle", "110", "--projection", "straight", "--height", "1.4", "--tilt=-5")
	out := h.does("")
	old := h.secret
	h.secret, _, _ = strings.Cut(out, "\n")
	if h.secret == old || !strings.Contains(out, "not known") {
		h.t.Errorf("said %s", out)
	}
	h.rings("R2", "201 ")
	h.sees(h.in, "/rules/privacy", "/rules/privacy", "Draw masks")
	h.sees(h.in, "/upkeep/bells", "/upkeep/bells", "What it is called")
	h.posts("/upkeep/bells/front/view/forget")
	h.secret = old
	h.rings("R3", "401 wrong-secret")
}
