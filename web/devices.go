package web

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
)

// A device that signed in is known for as long as this after it did so last, by a
// cookie that says so of one account. It opens nothing: it has an allowance of its
// own for that account's password, so that nobody who guesses keeps it out. Another
// password ends it.
const deviceKnown = 365 * 24 * time.Hour

// deviceCookie is where a browser keeps that it signed in as a resident.
func (s *Server) deviceCookie(resident house.Resident) string {
	return s.cookieNamed("lintel_device_" + hex.EncodeToString(s.Archive.DevicePlace(resident)))
}

// knowDevice has the browser known, from now on, as one that signed in as the
// resident.
func (s *Server) knowDevice(w http.ResponseWriter, r *http.Request, resident house.Resident) {
	device, known := s.readDevice(r, resident)
	if !known {
		device = rand.Text()
	}
	now := s.Now()
	proof := base64.RawURLEncoding.EncodeToString(s.Archive.DeviceProof(resident, device, now))
	s.setCookie(w, s.deviceCookie(resident), device+"."+strconv.FormatInt(now.Unix(), 10)+"."+proof, deviceKnown)
}

// readDevice returns what the browser's cookie says of the resident, if it is right.
func (s *Server) readDevice(r *http.Request, resident house.Resident) (device string, known bool) {
	if resident.ID == "" {
		return "", false
	}
	cookie, err := r.Cookie(s.deviceCookie(resident))
	if err != nil {
		return "", false
	}
	device, rest, _ := strings.Cut(cookie.Value, ".")
	seconds, sent, _ := strings.Cut(rest, ".")
	unix, err := strconv.ParseInt(seconds, 10, 64)
	proof, otherErr := base64.RawURLEncoding.DecodeString(sent)
	at := time.Unix(unix, 0)
	if err != nil || otherErr != nil || s.Now().Sub(at) >= deviceKnown {
		return "", false
	}
	return device, subtle.ConstantTimeCompare(proof, s.Archive.DeviceProof(resident, device, at)) == 1
}

// deviceOf returns by what the browser is known to the resident: by having signed in
// before, or by a session that is the resident's. It is "" for one that is not.
func (s *Server) deviceOf(r *http.Request, resident house.Resident) string {
	if device, known := s.readDevice(r, resident); known {
		return "device " + device
	}
	who, token, err := s.sessionIn(r, s.cookieName())
	if err != nil || resident.ID == "" || who.Resident != resident.ID {
		return ""
	}
	hash := sha256.Sum256([]byte(token))
	return "session " + string(hash[:])
}
