package store

import (
	"testing"
	"time"

	"lintel/internal/house"
	"lintel/store/seal"
)

// TestResidentsMigrate opens an archive of the version before residents could be
// removed: whoever was signed in is, tablets are paired, and of API tokens it is
// known who made them, where the trail says so.
func TestResidentsMigrate(t *testing.T) {
	ctx, c, dir := t.Context(), newClock(), t.TempDir()
	db, exec := oldDatabase(t, dir, "0012_residents.sql")
	seals, err := seal.NewSealer(testKey)
	must(t, err)
	old := &Archive{dir: dir, seals: seals, now: c.Now}
	at, later := micros(c.Now()), micros(c.Now().Add(30*24*time.Hour))
	exec(`INSERT INTO master (id, mark) VALUES (1, ?)`, seals.Value([]byte("lintel"), "master.mark"))
	exec(`INSERT INTO residents (id, name, name_mac, password_hash, added_at) VALUES ('R', ?, ?, 'h', ?)`,
		old.seal("Odo", "residents.name", "R"), old.nameMAC("Odo"), at)
	exec(`INSERT INTO residents (id, name, name_mac, password_hash, added_at) VALUES ('S', ?, ?, 'h', ?)`,
		old.seal("Tamsin", "residents.name", "S"), old.nameMAC("Tamsin"), at)
	exec(`INSERT INTO tablets (id, name, paired_by, paired_at) VALUES ('T', ?, 'S', ?)`,
		old.seal("hall", "tablets.name", "T"), at)
	for token, of := range map[string][2]any{"of Odo": {"R", nil}, "of hall": {nil, "T"}} {
		exec(`INSERT INTO sessions (token_hash, resident, tablet, started_at, expires_at) VALUES (?, ?, ?, ?, ?)`,
			hashOf(token), of[0], of[1], at, later)
	}
	for i, name := range []string{"made by Odo", "made by command"} {
		id := []string{"P", "Q"}[i]
		sealed, err := old.sealJSON(sealedProgram{name, "read-visits"}, "programs.sealed", id)
		must(t, err)
		exec(`INSERT INTO programs (id, name_mac, sealed, token_hash, added_at) VALUES (?, ?, ?, ?, ?)`, id,
			seals.Index(name), sealed, hashOf(name), at)
		exec(`INSERT INTO audit (seq, at, actor, action, subject, before, hash) VALUES (?, ?, ?, 'added', ?, ?, ?)`, i+1, at,
			[]string{"resident R", house.ByCommand}[i], "program "+id, make([]byte, 32), make([]byte, 32))
	}
	must(t, db.Close())

	a := openArchive(t, dir, c)
	for token, whose := range map[string]string{"of Odo": "Odo", "of hall": "hall"} {
		s, err := a.Session(ctx, token)
		if err != nil || s.Name != whose || len(s.ID) != 26 || !s.SeenAt.Equal(c.Now()) ||
			!s.ExpiresAt.Equal(c.Now().Add(30*24*time.Hour)) {
			t.Errorf("%+v, %v", s, err)
		}
	}
	must(t, a.RemoveResident(ctx, "R", "S"))
	programs, err := a.Programs(ctx)
	if err != nil || len(programs) != 1 || programs[0].ID != "Q" {
		t.Errorf("programs %+v, %v", programs, err)
	}
}
