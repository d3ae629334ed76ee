package house

import (
	"errors"
	"testing"
)

func TestTabletRules(t *testing.T) {
	for _, c := range []struct {
		rules             TabletRules
		now, look, answer bool
	}{
		{TabletRules{May: MayNow}, true, false, false},
		{TabletRules{May: MayLook}, true, true, false},
		{TabletRules{May: MayAnswer}, true, true, true},
		{TabletRules{May: MayAnswer, Guest: true}, true, false, false},
		{TabletRules{May: MayLook, Guest: true, Blur: true}, true, false, false},
		{TabletRules{}, false, false, false}, // of another version
		{TabletRules{May: "all"}, false, false, false},
	} {
		now, look, answer := c.rules.Allows(MayNow), c.rules.Allows(MayLook), c.rules.Allows(MayAnswer)
		if now != c.now || look != c.look || answer != c.answer {
			t.Errorf("%+v allows now %t, look %t, answer %t", c.rules, now, look, answer)
		}
	}
	if err := (TabletRules{May: MayLook}).Check(); err != nil {
		t.Error(err)
	}
	if err := (TabletRules{May: "all"}).Check(); !errors.Is(err, ErrBadTablet) {
		t.Error(err)
	}
}
