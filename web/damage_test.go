package web

import (
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"lintel/internal/house"
	"lintel/pipeline/advice/advisor"
	"lintel/pipeline/advice/evidence"
	"lintel/pipeline/bell"
	"lintel/pipeline/intake"
	"lintel/store"
)

// A spoilt column is one whose values a test damages as a disk does, and puts back.
type spoilt struct {
	table, column string
	keyed         bool // by the keys of its rows instead of by itself
}

// plainBytes are columns of bytes that are no sealed values, and that of the key that was
// carried on, which is read once, at the start (package store damages it).
var plainBytes = []string{"voucher", "secret_hash", "token_hash", "sha256", "hash", "before", "name_mac", "source_mac",
	"mac", "sent_mac", "content", "file", "place", "carried"}

// spoilable finds all columns of sealed values, by the schema alone.
func spoilable(t *testing.T, db *sql.DB) (all []spoilt) {
	t.Helper()
	rows, err := db.Query(`SELECT t.name, c.name, EXISTS (SELECT 1 FROM pragma_table_info(t.name) WHERE name = 'slot')
		FROM pragma_table_list t JOIN pragma_table_info(t.name) c
		WHERE t.schema = 'main' AND t.type = 'table' AND c.type = 'BLOB' ORDER BY 1, 2`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var s spoilt
		var slotted bool
		if err := rows.Scan(&s.table, &s.column, &slotted); err != nil {
			t.Fatal(err)
		}
		if slices.Contains(plainBytes, s.column) {
			continue
		}
		if all = append(all, s); slotted {
			s.keyed = true
			all = append(all, s)
		}
	}
	return append(all, spoilt{"stills", "sha256", true}) // whose keys are their files'
}

// spoil flips a bit of each value, or of each key, but of the first of residents and
// tablets, who look at pages. It returns how many, and how to put them back.
func (s spoilt) spoil(t *testing.T, db *sql.DB, dir string) (n int, back func()) {
	t.Helper()
	where := ""
	if s.table == "residents" || s.table == "tablets" {
		where = fmt.Sprintf(` AND rowid > (SELECT min(rowid) FROM %s)`, s.table)
	}
	what := s.column
	if s.keyed {
		what = "slot"
	}
	rows, err := db.Query(fmt.Sprintf(`SELECT rowid, %s FROM %s WHERE %s IS NOT NULL%s`, what, s.table, s.column, where))
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	values, slots := make(map[int64][]byte), make(map[int64]int64)
	for rows.Next() {
		var row, slot int64
		var value []byte
		if s.keyed {
			err = rows.Scan(&row, &slot)
		} else {
			err = rows.Scan(&row, &value)
		}
		if err != nil {
			t.Fatal(err)
		}
		values[row], slots[row] = value, slot
	}
	rows.Close()
	flip := func() {
		if s.keyed {
			flipSlots(t, filepath.Join(dir, "keys"), slots)
			return
		}
		for row, value := range values {
			value[len(value)-1] ^= 4
			if _, err := db.Exec(fmt.Sprintf(`UPDATE %s SET %s = ? WHERE rowid = ?`, s.table, s.column), value, row); err != nil {
				t.Fatal(err)
			}
		}
	}
	flip()
	return len(values), flip
}

// flipSlots flips a bit of the key in each slot: of 64 bytes, with the position in the
// low half of its number.
func flipSlots(t *testing.T, path string, slots map[int64]int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, slot := range slots {
		b := make([]byte, 1)
		at := (slot&(1<<32-1))*slotSize + 40
		if _, err := f.ReadAt(b, at); err != nil {
			t.Fatal(err)
		}
		b[0] ^= 4
		if _, err := f.WriteAt(b, at); err != nil {
			t.Fatal(err)
		}
	}
}

const slotSize = 64

// Whatever column of the database is damaged, in every row: each page and each list of
// the API answers, and Upkeep and Now say that something is damaged. What may be missed
// is one item, as 404.
func TestEveryPageMeetsDamage(t *testing.T) {
	w, resident, _ := newWalk(t)
	fillColumns(t, w)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "archive.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	in := w.session(resident)
	for _, s := range spoilable(t, db) {
		t.Run(fmt.Sprint(s.table, " ", s.column, " ", s.keyed), func(t *testing.T) {
			w.within(t)
			n, back := s.spoil(t, db, w.dir)
			if n == 0 {
				t.Errorf("%s.%s has no value: let fillColumns make one, or name it in plainBytes", s.table, s.column)
			}
			defer back()
			for _, pattern := range everyDoor() {
				method, _, _ := strings.Cut(pattern, " ")
				if method != "GET" || pattern == "GET /api/v1/live" || doors[pattern] == open {
					continue
				}
				for _, kind := range []option{browser, func(*http.Request) {}} {
					if a := w.step(pattern, in, kind); a.StatusCode >= 500 && !mayRefuse(s, a) {
						t.Errorf("%s: %d %s; the log ends with %s", pattern, a.StatusCode, a.problem(), lastLine(w.log.String()))
					}
				}
			}
		})
	}
}

// mayRefuse reports whether an answer says that something decides which nobody may go
// by: masks that are damaged hide nothing, so the pictures of their bell are not shown.
func mayRefuse(s spoilt, a *answer) bool {
	return (s.table == "masks" || s.table == "settings") && a.StatusCode == 503 && a.problem() == "unvouched"
}

func lastLine(text string) string {
	text = strings.TrimSpace(text)
	return text[strings.LastIndex(text, "\n")+1:]
}

// fillColumns has a value in each sealed column that a walk leaves empty.
func fillColumns(t *testing.T, w walk) {
	t.Helper()
	ctx := t.Context()
	source, _, err := w.archive.AddSource(ctx, house.Reader, "", "The step")
	if err == nil {
		_, err = w.archive.GiveKey(ctx, source)
	}
	if err == nil {
		_, err = w.archive.MoveSource(ctx, source, func(json.RawMessage) (house.SourceMove, error) {
			return house.SourceMove{State: json.RawMessage(`{}`), Reports: []json.RawMessage{json.RawMessage(`{}`)}}, nil
		})
	}
	session, sessionErr := w.archive.Session(ctx, w.signsIn("Odile"))
	if err := errors.Join(err, sessionErr, w.archive.UseSession(ctx, session, house.Browser{Name: "Firefox"}),
		w.archive.SetMasks(ctx, "gate", []house.Polygon{{{X: 0, Y: 0}, {X: 0.1, Y: 0}, {X: 0, Y: 0.1}}}),
		w.archive.KeepHeartbeat(ctx, "gate", house.Heartbeat{At: w.clock.now(), Firmware: "7"}),
		w.archive.AddBellDay(ctx, "gate", house.BellDay{Day: "2031-05-04", Rings: 5}),
		w.archive.ChangeBellHealth(ctx, "gate", func(h *house.Health) error {
			h.Begin(house.BellMoved, w.clock.now())
			return nil
		}),
		w.archive.KeepBellView(ctx, "gate", []byte("a wall of bricks")),
		w.archive.CheckWholeTrail(ctx)); err != nil {
		t.Fatal(err)
	}
}

// What can't be read any more is told on Now and Upkeep to residents, and no more once a
// later verification found all sound.
func TestDamageIsTold(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	tablet := h.session(h.tablet("Hall", "Odile"))
	h.rung("R1", 0, still(t, 1))
	notice := "Part of the archive is damaged"
	h.get("/", in, browser).is(200).saysNot(notice)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(h.dir, "archive.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if n, _ := (spoilt{table: "visits", column: "ring"}).spoil(t, db, h.dir); n != 1 {
		t.Fatalf("%d rings are spoilt", n)
	}
	var list struct{ Visits []visitJSON }
	if h.get("/api/v1/visits", in).is(200).into(&list); list.Visits[0].Ring != house.Unreadable {
		t.Errorf("the ring is %q", list.Visits[0].Ring)
	}
	h.get("/", in, browser).is(200).says(notice)
	h.get("/", tablet, browser).is(200).saysNot(notice)
	h.get("/upkeep", in, browser).is(200).says(notice).says("1 thing can’t be read").says("visits.ring " + list.Visits[0].ID)
	h.clock.advance(time.Second)
	for left, told := range map[int]bool{0: false, 2: true} {
		if err := h.archive.KeepSoundness(t.Context(), store.Report{Left: left}); err != nil {
			t.Fatal(err)
		}
		sound, err := h.archive.Soundness(t.Context())
		if err != nil || sound.Damaged() != told {
			t.Errorf("with %d left: %+v, %v", left, sound, err)
		}
	}
	h.get("/upkeep", in, browser).is(200).says("The whole archive was verified on")
}

// On a disk that can only be read pages are shown, and each says so; a ring, an erasure
// and signing in are refused by 507.
func TestPagesOfReadOnlyDisk(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.residentWith("Odile", someHash()))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	if err := h.archive.Close(); err != nil {
		t.Fatal(err)
	}
	err := syscall.Mount(h.dir, h.dir, "", syscall.MS_BIND, "")
	if err == nil {
		err = syscall.Mount("", h.dir, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, "")
	}
	if err != nil {
		t.Skipf("SKIPPED, a folder can't be made read-only here: %v", err)
	}
	defer syscall.Unmount(h.dir, syscall.MNT_DETACH)
	h.archive = openArchive(t, h.dir, h.clock.now)
	config := h.Config
	config.Archive, config.Intake = h.archive, intake.New(h.archive, h.clock.now, plenty)
	config.Factors, config.Secrets = evidence.NewInbox(h.archive, h.clock.now), advisor.New(h.archive, nil,
		slog.New(slog.DiscardHandler), h.clock.now, nil)
	config.Bells = bell.NewWatch(h.archive, slog.New(slog.DiscardHandler), h.clock.now,
		func() time.Duration { return h.clock.now().Sub(time.Unix(0, 0)) })
	h.Server = New(config)
	for _, page := range []string{"/", "/visits", "/visits/" + visit, "/people", "/rules", "/upkeep", "/checks", "/upkeep/bells"} {
		h.get(page, in, browser).is(200).says("The server’s disk can only be read")
	}
	h.get("/api/v1/visits/"+visit+"/stills/0", in).is(200)
	h.ring("R2", 0, still(t, 2)).isProblem(507, "no-space")
	h.ask("DELETE", "/api/v1/visits/"+visit, nil, in).isProblem(507, "no-space")
	h.post("/visits/"+visit+"/erase", nil, in, browser).is(507).says("can’t be written")
	h.post("/sign-in", url.Values{"name": {"Odile"}, "password": {password}}, browser).is(507)
}
