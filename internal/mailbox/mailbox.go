// Package mailbox reads letters as whoever receives them has to, with nothing
// of package message but its types, so that tests see what a letter is worth to
// somebody else. Only tests import it.
package mailbox

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"time"

	"lintel/pipeline/advice/message"
)

// Errors of letters that are not acted on.
var (
	ErrMAC      = errors.New("the letter was written with another key, or altered")
	ErrReceiver = errors.New("the letter is for another receiver")
	ErrTime     = errors.New("the letter does not hold now")
	ErrSeen     = errors.New("the letter came before")
)

// Open reads a letter to the receiver of that id and key. It asks seen last:
// whether the nonce was there before.
func Open(text []byte, id string, key message.Key, now time.Time, seen func(nonce string) bool) (l message.Message,
	err error) {
	var envelope struct{ Payload, MAC string }
	if err := json.Unmarshal(text, &envelope); err != nil {
		return l, err
	}
	h := hmac.New(sha256.New, key[:])
	h.Write([]byte(envelope.Payload))
	if envelope.MAC != hex.EncodeToString(h.Sum(nil)) {
		return l, ErrMAC
	}
	payload, err := base64.StdEncoding.Strict().DecodeString(envelope.Payload)
	if err != nil {
		return l, err
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	if err := d.Decode(&l); err != nil {
		return l, err
	}
	switch {
	case l.Receiver != id || l.Version != message.Version:
		return l, ErrReceiver
	case l.IssuedAt.After(now.Add(message.Skew)) || !now.Before(l.ExpiresAt):
		return l, ErrTime
	case seen(l.Nonce):
		return l, ErrSeen
	}
	return l, nil
}
