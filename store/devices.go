package store

import (
	"strconv"
	"strings"
	"time"

	"lintel/internal/house"
)

// DeviceProof returns what shows, later, that a device signed in as a resident at a
// time: a keyed hash that nobody can make without the key. It is another once the
// resident has another password, so a device counts as known until then.
func (a *Archive) DeviceProof(r house.Resident, device string, at time.Time) []byte {
	return a.seals.Index(strings.Join([]string{"device", r.ID, r.PasswordHash, device,
		strconv.FormatInt(at.Unix(), 10)}, "\x00"))
}

// DevicePlace returns a name for where a device keeps its proof for a resident, which
// says nothing of who that is.
func (a *Archive) DevicePlace(r house.Resident) []byte {
	return a.seals.Index("device place\x00" + r.ID)[:8]
}
