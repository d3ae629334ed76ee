package store

import (
	"fmt"
	"strings"
	"testing"

	"lintel/internal/house"
)

// noted returns an archive whose trail has ten entries.
func noted(t *testing.T) *Archive {
	t.Helper()
	a, _ := newArchive(t)
	for i := len(trailOf(t, a)); i < 10; i++ {
		must(t, a.Note(t.Context(), "looked", fmt.Sprintf("visit %d", i)))
	}
	return a
}

func endOf(t *testing.T, a *Archive) TrailEnd {
	t.Helper()
	end, err := a.trailEnd(t.Context(), a.read)
	must(t, err)
	return end
}

// A trail whose last entries went, with the head of before, is right in itself. Who
// knows the end from outside finds it, also when as many were written again.
func TestOlderHeadPutBack(t *testing.T) {
	a := noted(t)
	ctx := t.Context()
	var head []byte
	must(t, a.read.QueryRowContext(ctx, `SELECT head FROM audit_head`).Scan(&head))
	for range 3 {
		must(t, a.Note(ctx, "exported", "person X"))
	}
	end := endOf(t, a)
	if end.Entry != 13 || len(end.Hash) != 64 {
		t.Fatalf("%+v", end)
	}
	has := func(want bool) {
		t.Helper()
		if is, err := a.TrailHas(ctx, end); is != want || err != nil {
			t.Errorf("has its end: %v, %v", is, err)
		}
	}
	has(true)
	tamper(t, a, `DELETE FROM audit WHERE seq > 10`)
	must(t, second(a.write.ExecContext(ctx, `UPDATE audit_head SET head = ?`, head)))
	if n, err := a.CheckTrail(ctx); n != 10 || err != nil {
		t.Errorf("within itself: %d entries, %v", n, err)
	}
	has(false)
	a.ExpectTrail(end)
	found := func(want string) {
		t.Helper()
		_, err := a.CheckTrail(ctx)
		wantError(t, err, ErrTampered)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("said %v, want %q", err, want)
		}
		if r, err := a.Verify(ctx, true, nil); err != nil || r.Left != 1 || r.Problems[0].What != WithTrail {
			t.Errorf("verify: %+v, %v", r, err)
		}
	}
	found("entries 11 to 13 are missing")
	for range 5 {
		must(t, a.Note(ctx, "looked", "visit Y"))
	}
	has(false)
	found("entry 13 is not as it was written")
	a.ExpectTrail(TrailEnd{})
}

// What is new since the trail was last found right is gone through at once, and all
// of it by the whole check, which keeps what it found.
func TestNewTrail(t *testing.T) {
	a := noted(t)
	ctx := t.Context()
	check := func(wantFirst, wantLast int64, want error) {
		t.Helper()
		first, last, err := a.CheckNewTrail(ctx)
		wantError(t, err, want)
		if want == nil && (first != wantFirst || last != wantLast) {
			t.Errorf("checked entries %d to %d, want %d to %d", first, last, wantFirst, wantLast)
		}
	}
	if c, err := a.TrailChecked(ctx); err != nil || !c.At.IsZero() {
		t.Errorf("%+v, %v", c, err)
	}
	check(1, 10, nil)
	must(t, a.CheckWholeTrail(ctx))
	check(11, 10, nil)
	must(t, a.Note(house.By(ctx, "resident R"), "looked", "visit Z"))
	check(11, 11, nil)
	if c, err := a.TrailChecked(ctx); err != nil || !c.At.Equal(a.now()) || c.Entries != 10 || c.Tampered != nil {
		t.Errorf("%+v, %v", c, err)
	}
	tamper(t, a, `UPDATE audit SET actor = 'command' WHERE seq = 3`)
	check(11, 11, nil)
	wantError(t, a.CheckWholeTrail(ctx), ErrTampered)
	c, err := a.TrailChecked(ctx)
	if want := (TamperedError{How: "entry-changed", Entry: 3}); err != nil || c.Tampered == nil || *c.Tampered != want {
		t.Errorf("%+v, %v", c, err)
	}
	check(0, 0, ErrTampered) // from the first on again
}

// What is done to the entries that a check of what is new goes through is found.
func TestNewTrailTampered(t *testing.T) {
	for name, test := range map[string]struct{ statement, want string }{
		"the last that was right": {`UPDATE audit SET subject = 'visit Q' WHERE seq = 10`, "entry 10 is not as it was"},
		"that one removed":        {`DELETE FROM audit WHERE seq = 10`, "entry 10 is missing"},
		"a new one":               {`UPDATE audit SET subject = 'visit Q' WHERE seq = 11`, "entry 11 is not as it was"},
		"a new one removed":       {`DELETE FROM audit WHERE seq = 11`, "entry 11 is missing"},
		"the last one removed":    {`DELETE FROM audit WHERE seq = 12`, "entries 12 to 12 are missing"},
		"all new ones removed":    {`DELETE FROM audit WHERE seq > 10`, "entries 11 to 12 are missing"},
		"the head":                {`DELETE FROM audit_head`, "its head is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			a := noted(t)
			must(t, a.CheckWholeTrail(t.Context()))
			for range 2 {
				must(t, a.Note(t.Context(), "looked", "visit N"))
			}
			tamper(t, a, test.statement)
			_, _, err := a.CheckNewTrail(t.Context())
			wantError(t, err, ErrTampered)
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("said %v, want %q", err, test.want)
			}
		})
	}
}
