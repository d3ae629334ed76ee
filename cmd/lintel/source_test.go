package main

import (
	"encoding/json"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/pipeline/advice/message"
	"lintel/store"
	"lintel/store/seal"
)

// TestSourcesAndReceivers adds, lists and removes them, as a household does at
// the server.
func TestSourcesAndReceivers(t *testing.T) {
	dir := t.TempDir()
	data, keyFile := filepath.Join(dir, "data"), filepath.Join(dir, "key")
	says := func(status int, want string, args ...string) string {
		t.Helper()
		got, out, complaint := lintelAt(t, append(args, "--data", data, "--key", keyFile)...)
		if got != status || !strings.Contains(out+complaint, want) {
			t.Errorf("%v: status %d, %q %q, want %d and %q", args, got, out, complaint, status, want)
		}
		return out
	}
	open := func() *store.Archive {
		t.Helper()
		key, err := seal.ReadKey(keyFile)
		if err != nil {
			t.Fatal(err)
		}
		a, err := store.Open(t.Context(), data, key, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	says(exitFailed, "no archive", "source", "list")
	says(exitFailed, "no archive", "receiver", "list")
	says(exitRight, "", "bell", "add", "front")
	says(exitRight, "", "person", "add", "Ada Quill")
	says(exitRight, "[]", "source", "list", "--json")
	says(exitRight, "[]", "receiver", "list", "--json")

	door := trySources(t, says, open)
	tryReceivers(t, says, open, door)
}

// trySources adds, lists and removes sources, and adds a door.
func trySources(t *testing.T, says func(status int, want string, args ...string) string,
	open func() *store.Archive) (door string) {
	t.Helper()
	says(exitUsage, "--person is needed", "source", "add", "phone", "The blue phone")
	says(exitUsage, "phone", "source", "add", "kettle", "The kettle")
	says(exitUsage, "1 to 60 characters", "source", "add", "reader", " ")
	says(exitUsage, "1 to 60 characters", "source", "add", "reader", strings.Repeat("é", 61))
	says(exitFailed, "not found", "source", "add", "phone", "The blue phone", "--person", "Bo Tansy")
	token := says(exitRight, "", "source", "add", "phone", "The blue phone", "--person", "ada quill")
	if !regexp.MustCompile(`^[A-Z2-7]{26}\n$`).MatchString(token) {
		t.Errorf("the token is not alone: %q", token)
	}
	var reader struct{ ID, Kind, Name, Token string }
	if err := json.Unmarshal([]byte(says(exitRight, "", "source", "add", "reader", "The mat", "--json")),
		&reader); err != nil || reader.Kind != "reader" || reader.Name != "The mat" {
		t.Errorf("%+v, %v", reader, err)
	}
	list := says(exitRight, "phone of Ada Quill", "source", "list")
	if strings.Contains(list, strings.TrimSpace(token)) || !strings.Contains(list, reader.ID) ||
		!strings.Contains(list, "never heard") {
		t.Errorf("the list is %s", list)
	}

	a := open()
	for token, kind := range map[string]house.SourceKind{strings.TrimSpace(token): house.Phone,
		reader.Token: house.Reader} {
		if s, err := a.SourceOf(t.Context(), token); err != nil || s.Kind != kind {
			t.Errorf("%+v, %v", s, err)
		}
	}
	door, err := a.SetDoor(t.Context(), house.Door{Name: "The garden gate", Bell: "front"})
	if err != nil {
		t.Fatal(err)
	}
	a.Close()
	says(exitRight, "", "source", "remove", reader.ID)
	says(exitFailed, "not found", "source", "remove", reader.ID)
	says(exitFailed, "not found", "source", "remove", "The mat")
	return door
}

// tryReceivers adds, lists and removes receivers.
func tryReceivers(t *testing.T, says func(status int, want string, args ...string) string, open func() *store.Archive,
	door string) {
	t.Helper()
	says(exitUsage, "--door", "receiver", "add", "The box")
	says(exitFailed, "Doors are added on the screen Rules", "receiver", "add", "The box", "--door", "The barn")
	says(exitRight, "without power and without a network", "receiver", "add", "The shelf", "--door", door)
	plain := says(exitRight, "licensed locksmith", "receiver", "add", "The box", "--door", "the garden gate")
	if !strings.Contains(plain, "door   "+door+"\n") || !strings.Contains(plain, "key    lintel-receiver-key-1 ") ||
		strings.Contains(plain, "Lintel never") {
		t.Errorf("printed %q", plain)
	}
	var receiver struct{ ID, Door, Name, Key, Token string }
	if err := json.Unmarshal([]byte(says(exitRight, "", "receiver", "add", "The lamp", "--door", door, "--json")),
		&receiver); err != nil || receiver.Door != door || receiver.Name != "The lamp" {
		t.Errorf("%+v, %v", receiver, err)
	}
	if list := says(exitRight, "at The garden gate", "receiver", "list"); strings.Contains(list, receiver.Token) ||
		strings.Contains(list, "lintel-receiver-key") {
		t.Errorf("the list is %s", list)
	}
	if list := says(exitRight, receiver.ID, "receiver", "list", "--json"); strings.Contains(
		list, "lintel-receiver-key") ||
		strings.Contains(list, `"key"`) {
		t.Errorf("the list is %s", list)
	}
	a := open()
	receivers, err := a.Receivers(t.Context())
	if err != nil || len(receivers) != 3 {
		t.Errorf("%v, %v", receivers, err)
	}
	for _, r := range receivers {
		if r.ID != receiver.ID {
			continue
		}
		if receiver.Key != message.Key(r.Key).Text() {
			t.Errorf("the key printed is another: %v", err)
		}
		if ok, err := a.CheckReceiver(t.Context(), r.ID, receiver.Token); !ok || err != nil {
			t.Errorf("the token printed is another: %v", err)
		}
	}
	a.Close()
	says(exitRight, "", "receiver", "remove", receiver.ID)
	says(exitFailed, "not found", "receiver", "remove", receiver.ID)
}
