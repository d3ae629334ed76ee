package qr

import (
	"regexp"
	"strings"
	"testing"

	"lintel/internal/python"
)

// What a terminal shows is read. Outside: zbar, by Python's pyzbar, on the modules
// as the characters draw them.
func TestLines(t *testing.T) {
	const text = "http://[fd00::7]:8420/trust"
	code, err := New(text)
	if err != nil {
		t.Fatal(err)
	}
	lines := code.Lines()
	if want := (code.Side() + 1) / 2; len(lines) != want {
		t.Errorf("%d lines, want %d", len(lines), want)
	}
	colours := regexp.MustCompile(`\x1b\[[0-9;]*m`)
	for i, line := range lines {
		if !strings.HasPrefix(line, "\x1b[30;107m") || !strings.HasSuffix(line, "\x1b[0m") {
			t.Errorf("line %d is %q", i, line)
		}
		lines[i] = colours.ReplaceAllString(line, "")
	}
	var got []string
	python.Ask(t, "pyzbar.pyzbar", `
import json, sys
from pyzbar.pyzbar import decode, ZBarSymbol
drawn = {" ": "\xff\xff", "▀": "\x00\xff", "▄": "\xff\x00", "█": "\x00\x00"}
rows, scale = [], 4
for line in json.load(sys.stdin):
    for half in (0, 1):
        row = b"".join(drawn[c][half].encode("latin-1") * scale for c in line)
        rows += [row] * scale
found = decode((b"".join(rows), len(rows[0]), len(rows)), symbols=[ZBarSymbol.QRCODE])
json.dump([f.data.decode() for f in found], sys.stdout)`, lines, &got)
	if len(got) != 1 || got[0] != text {
		t.Errorf("read as %q, want %q", got, text)
	}
}

func TestTooLong(t *testing.T) {
	// ISO/IEC 18004: no more than 2331 bytes with 15 % of correction (from memory).
	if _, err := New(strings.Repeat("a", 2332)); err == nil {
		t.Error("a text that no code can hold was drawn")
	}
}
