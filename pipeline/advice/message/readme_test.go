package message

import (
	"bytes"
	"encoding/hex"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/internal/python"
)

// readme returns the example of docs/receiver/README.md: the key's line, the message and its
// payload.
func readme(t *testing.T) (line, message, payload string) {
	t.Helper()
	text, err := os.ReadFile("../../../docs/receiver/README.md")
	if err != nil {
		t.Fatal(err)
	}
	find := func(pattern string) string {
		m := regexp.MustCompile(pattern).FindSubmatch(text)
		if m == nil {
			t.Fatalf("docs/receiver/README.md has no %s", pattern)
		}
		return string(m[1])
	}
	return find("its key is `(.*)`"), find(`(?m)^    (\{"payload":"[^"]{9,}","mac":"[^"]{9,}"\})$`),
		find(`(?m)^    (\{"version":.*\})$`)
}

// TestReadme writes the example of docs/receiver/README.md anew, and has the sizes that it says.
func TestReadme(t *testing.T) {
	line, want, payload := readme(t)
	var k Key
	for i := range k {
		k[i] = byte(i + 1)
	}
	at := time.Date(2027, 3, 4, 17, 5, 6, 0, time.UTC)
	got, err := Sign(house.Advice{ID: "EXAMPLE", Visit: strings.Repeat("V", 26), Door: strings.Repeat("D", 26),
		Person: "p",
		State:  house.Suggested, At: at, ExpiresAt: at.Add(time.Minute)}, "front", strings.Repeat("R", 26), k)
	if err != nil || string(got) != want || line != k.Text() {
		t.Errorf("written anew: %s, %v", got, err)
	}
	if head, tail := want[:12], want[len(want)-75:]; head != `{"payload":"` ||
		!regexp.MustCompile(`^","mac":"[0-9a-f]{64}"\}$`).MatchString(tail) {
		t.Errorf("the first 12 bytes are %s, the last 75 %s", head, tail)
	}
	longest, err := Sign(house.Advice{ID: "EXAMPLE", Visit: strings.Repeat("V", 26), Door: strings.Repeat("D", 26),
		Person: "p",
		State:  house.Withdrawn, At: at, EndedAt: at, ExpiresAt: at.Add(time.Minute)}, strings.Repeat("b", 64),
		strings.Repeat("R", 26), k)
	if err != nil || len(longest) >= 600 {
		t.Errorf("the longest has %d bytes, %v", len(longest), err)
	}
	if !strings.HasPrefix(payload, `{"version":1,"receiver":`) {
		t.Errorf("the payload is %s", payload)
	}
}

// TestReadmeByPython reads the example of docs/receiver/README.md with Python's own modules, by
// what stands there and nothing else.
func TestReadmeByPython(t *testing.T) {
	line, message, payload := readme(t)
	var answer struct {
		Right   bool
		Payload string
		Order   []string
	}
	python.Ask(t, "hmac", `
import base64, hashlib, hmac, json, sys
q = json.load(sys.stdin)
key = base64.b64decode(q["Line"].split(" ")[1])
text = q["Message"].encode()
middle, mac = text[12:-75], text[-66:-2]
payload = base64.b64decode(middle)
json.dump(dict(Right=len(key) == 32 and hmac.new(key, middle, hashlib.sha256).hexdigest().encode() == mac,
    Payload=payload.decode(), Order=list(json.loads(payload))), sys.stdout)`,
		map[string]string{"Line": line, "Message": message}, &answer)
	order := "version receiver door bell visit action kind nonce issued_at expires_at"
	if !answer.Right || answer.Payload != payload || strings.Join(answer.Order, " ") != order {
		t.Errorf("%+v", answer)
	}
}

// TestReadmeByOpenSSL checks the mac of the example with openssl(1).
func TestReadmeByOpenSSL(t *testing.T) {
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		t.Skip("SKIPPED: no openssl here, so the example of docs/receiver/README.md was checked by Python alone")
	}
	line, message, _ := readme(t)
	decode := exec.CommandContext(t.Context(), openssl, "base64", "-d", "-A")
	decode.Stdin = strings.NewReader(strings.TrimPrefix(line, "lintel-receiver-key-1 "))
	key, err := decode.Output()
	if err != nil {
		t.Fatal(err)
	}
	mac := exec.CommandContext(t.Context(), openssl, "dgst", "-sha256", "-mac", "HMAC", "-macopt",
		"hexkey:"+hex.EncodeToString(key), "-r")
	mac.Stdin = strings.NewReader(message[12 : len(message)-75])
	out, err := mac.Output()
	if got, want := string(bytes.Fields(out)[0]), message[len(message)-66:len(message)-2]; err != nil || got != want {
		t.Errorf("openssl: %s, %v, want %s", got, err, want)
	}
}
