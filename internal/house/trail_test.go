package house

import (
	"reflect"
	"testing"
)

// TestAbout reads subjects as they are written now, and as earlier versions
// wrote them.
func TestAbout(t *testing.T) {
	for subject, want := range map[string][]Part{
		"rules":                                  {{"rules", ""}},
		"visit V":                                {{"visit", "V"}},
		"advice A visit V":                       {{"advice", "A"}, {"visit", "V"}},
		"visits 1 stills 2 smaller 0":            {{"visits", "1"}, {"stills", "2"}, {"smaller", "0"}},
		"":                                       {{"", ""}},
		"advice A on visit V":                    {{"advice", "A"}, {"visit", "V"}},
		"still S of visit V":                     {{"still", "S"}, {"visit", "V"}},
		"masks of bell B":                        {{"masks", "B"}},
		"lens of bell B":                         {{"lens", "B"}},
		"stills of bell B":                       {{"stills", "B"}},
		"one-time codes of person P":             {{"codes", "P"}},
		"rules of advice":                        {{"advice-rules", ""}},
		"visits 1, stills of 2, smaller 0":       {{"visits", "1"}, {"stills", "2"}, {"smaller", "0"}},
		"period 2031-05-04T17:30:00Z 2031-05-05": {{"from", "2031-05-04T17:30:00Z"}, {"until", "2031-05-05"}},
	} {
		e := Entry{Subject: subject}
		if got := e.About(); !reflect.DeepEqual(got, want) {
			t.Errorf("%q is about %q", subject, got)
		}
		if got := e.Of(want[0].What); got != want[0].Value || e.Of("nothing") != "" {
			t.Errorf("%q: %q", subject, got)
		}
	}
}
