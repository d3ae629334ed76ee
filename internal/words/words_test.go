package words

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"

	"lintel/internal/house"
	"lintel/pipeline/advice/policy"
	"lintel/pipeline/liveness"
)

const advice = "../../pipeline/advice"

// sources are the Go files of a folder and those below it, but for tests.
func sources(t *testing.T, dir string) (all string) {
	t.Helper()
	err := filepath.Walk(dir, func(path string, _ os.FileInfo, err error) error {
		if strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go") {
			text, readErr := os.ReadFile(path)
			all, err = all+string(text), errors.Join(err, readErr)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// found are the first groups of all that matches.
func found(t *testing.T, text, pattern string) (all []string) {
	t.Helper()
	for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1) {
		all = append(all, m[1])
	}
	if len(all) == 0 {
		t.Fatalf("nothing matches %s", pattern)
	}
	return all
}

// reasons are the codes of all reasons of policy, refusals those of all rooms.
func reasons(t *testing.T) []string {
	return found(t, sources(t, advice+"/policy/codes.go"), `(?m)^\s+\w+\s+= "([a-z-]+)"`)
}

func refusals(t *testing.T) []string {
	all := sources(t, advice) + sources(t, "../../pipeline/bell") + sources(t, "../house") + sources(t, "../../web") +
		sources(t, "../../pipeline/intake")
	return found(t, all, `\bRefusal\("([a-z-]+)"\)`)
}

// needed are the keys that messages are looked up by.
func needed(t *testing.T) (keys []string) {
	keys = reasons(t)
	add := func(prefix string, codes ...string) {
		for _, c := range codes {
			keys = append(keys, prefix+c)
		}
	}
	add("refused-", refusals(t)...)
	add("mqtt-", found(t, sources(t, "../../web/broker"), `refused\{"([a-z-]+)"`)...)
	complaints := append(found(t, sources(t, "../../pipeline/quality/judge.go"), `code:\s+"([a-z-]+)"`), "no-eyes")
	add("complaint-", complaints...)
	add("do-", complaints...)
	add("", found(t, sources(t, "../../pipeline/liveness"), `"((?:judged|sign)-[a-z-]+[a-z])"`)...)
	for _, level := range []house.LivenessLevel{house.Doubtful, house.Picture} {
		add("", "judged-"+string(level), "level-"+string(level))
	}
	add("cant-tell-", liveness.Tiny, liveness.Dark, liveness.NoEyes, liveness.Border, liveness.NoNetwork,
		liveness.OneFrame,
		liveness.Sizes, liveness.Plain, "unknown")
	for _, a := range []house.Advice{policy.Decide(policy.Input{}), policy.DecideParcel(policy.Input{})} {
		for _, c := range a.Conditions {
			add("short-"+c.Code, "", "-not")
		}
	}
	add("fault-", found(t, sources(t, "../house"), `fault\(Err\w+, "([a-z-]+)"`)...)
	add("fault-", found(t, sources(t, "../../store"), `house\.Fault\{[^}]*Code:\s+"([a-z-]+)"`)...)
	add("fault-", found(t, sources(t, "../../web"), `Code:\s+"([a-z-]+)"`)...)
	add("fault-", found(t, sources(t, "../../web"), `"(lens-number-[a-z]+)"`)...)
	add("", "unknown", "number-point")
	add("short-", policy.Sign+"-not", "unknown", "unknown-not")
	for _, k := range append(kinds, "unknown") {
		add("", "thing-"+string(k), "event-"+string(k))
	}
	for _, band := range []string{"strong", "fair"} {
		add("", "band-"+band, "matching-"+band, "asks-"+band)
	}
	for n := range 12 {
		add("", fmt.Sprintf("weekday-%d", n%7), fmt.Sprintf("month-%d", n+1))
	}
	own := sources(t, ".")
	english, err := files.ReadFile("en.toml")
	if err != nil {
		t.Fatal(err)
	}
	add("n-", found(t, own, `t\.N\([^"]*"([a-z-]+)"`)...)
	add("n-", found(t, string(english), `\.N [^"]*\\"([a-z-]+)\\"`)...)
	add("", found(t, own, `(?:say\(|key = |key := |nameOf\([a-z]+, |dated\(|list\(\w+, )"([a-z-]+[a-z])"`)...)
	slices.Sort(keys)
	return slices.Compact(keys)
}

// texts are the keys that screens and commands say, and what keys begin with of
// which the rest is a code: Text("kinds-"+kind).
func texts(t *testing.T) (keys, prefixes []string) {
	all := sources(t, "../../web") + sources(t, "../../cmd") + sources(t, "../../pipeline/export") + sources(t, ".")
	pages, err := filepath.Glob("../../web/pages/*.html")
	if err != nil || len(pages) == 0 {
		t.Fatal(len(pages), err)
	}
	for _, page := range append(pages, "../../pipeline/export/page.html") {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		all += string(text)
	}
	all = regexp.MustCompile(`(?m)//.*$`).ReplaceAllString(all, "")
	const call = `(?:\bsay |\(say |\.Text\(|\.HTML\(|[^.\w]text\(|\.Lookup\(|\bsay\(fmt\.Sprintf\()`
	for _, m := range regexp.MustCompile(call+`"([a-z0-9-]*[a-z0-9])"`).FindAllStringSubmatch(all, -1) {
		keys = append(keys, m[1])
	}
	for _, m := range regexp.MustCompile(`"((?:problem|tag|book-day)-[a-z-]+)"`).FindAllStringSubmatch(all, -1) {
		keys = append(keys, m[1]) // they are kept as keys until somebody reads them
	}
	for _, m := range regexp.MustCompile(call+`\(?(?:print |printf )?"([a-z0-9-]+-)(?:"|%)`).
		FindAllStringSubmatch(all, -1) {
		prefixes = append(prefixes, m[1])
	}
	for _, m := range regexp.MustCompile(`\bknown (?:\(print )?"([a-z-]+-)"`).FindAllStringSubmatch(all, -1) {
		prefixes = append(prefixes, m[1])
	}
	const made = `(?:\btell\([\w.]+, |\b(?:failed|fail)\([\w.]+, |\bmisused\(|\bnewProgress\()"([a-z-]+)"`
	for _, m := range regexp.MustCompile(made+`|"(explain-[a-z-]+)"`).FindAllStringSubmatch(all, -1) {
		keys = append(keys, m[1]+m[2])
	}
	for _, m := range regexp.MustCompile(`\b[kK]ey(?:, [\w.]+)? :?= "([a-z-]*[a-z])"`).FindAllStringSubmatch(all, -1) {
		keys = append(keys, m[1])
	}
	for _, m := range regexp.MustCompile(`\.N\([^"\n]*"([a-z-]+)"\)`).FindAllStringSubmatch(all, -1) {
		keys = append(keys, "n-"+m[1])
	}
	return keys, prefixes
}

// TestCatalog has a message for each code that is told, and no other.
func TestCatalog(t *testing.T) {
	var english map[string]any
	if _, err := toml.DecodeFS(files, "en.toml", &english); err != nil {
		t.Fatal(err)
	}
	keys := needed(t)
	said, prefixes := texts(t)
	keys = append(keys, said...)
	for _, prefix := range prefixes {
		of := slices.DeleteFunc(slices.Collect(maps.Keys(english)), func(key string) bool {
			return !strings.HasPrefix(key, prefix)
		})
		if len(of) == 0 {
			t.Errorf("there is no message whose key begins with %s", prefix)
		}
		keys = append(keys, of...)
	}
	// Refusals are told apart by their codes alone.
	if once := slices.Compact(slices.Sorted(slices.Values(refusals(t)))); len(once) != len(refusals(t)) {
		t.Errorf("%d refusals have %d codes", len(refusals(t)), len(once))
	}
	for _, key := range keys {
		if english[key] == nil {
			t.Errorf("there is no message for %s", key)
		}
	}
	for key := range english {
		if !slices.Contains(keys, key) {
			t.Errorf("nothing says %s", key)
		}
	}
	t.Logf("%d messages", len(english))
}

// told has some of everything.
var told = house.Values{
	Person: "p1", Persons: []string{"p1", "p2", "p3"}, Door: "d1", Bell: "porch", OtherBell: "gate",
	At: time.Date(2026, 11, 25, 17, 5, 0, 0, time.UTC), Until: time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC),
	Holiday: true,
	Lasted:  time.Second, Longest: 3 * time.Minute, Count: 1, Of: 2, Distance: 0.314, Rate: 1.0 / 2512, Band: "fair",
	Asked: "strong",
	Kind:  house.FactorCode, Given: []house.Given{{Kind: house.FactorArrival}, {Kind: house.FactorCode}}, Measured: -0.5,
	Parcel: &house.ParcelRule{Note: "a lamp", Window: time.Minute, UsedBy: "a1"},
	Week:   &house.WeekTime{Day: 1, Minute: 420},
	Rules: []house.DoorRule{
		{Allowed: true, Days: [7]bool{1: true, 2: true, 3: true, 6: true}, From: 420, To: 1200, Factors: kinds, Need: 2,
			Band: "strong"},
		{Allowed: true, From: 1200, To: 420, Factors: kinds[:3], Need: 1, Band: "fair", Liveness: house.NoSign,
			CantTell: true},
	},
}

// TestSayAll says every code, and looks for what a template leaves where
// something is amiss.
func TestSayAll(t *testing.T) {
	names := map[string]string{"p1": "Ada Quill", "p2": "Ben Moss", "d1": "the front door"}
	w := For("en").At(told.At, time.UTC).Naming(func(id string) string { return names[id] })
	bad := regexp.MustCompile(`no value|no words|%!|\{\{|  |\.\.|^.?$`)
	for _, code := range reasons(t) {
		v := told
		switch code {
		case "on-faulty", "rule-faulty", "restate-faulty":
			v.Why = []string{"rule-need", "rule-times"}
		case "quality-poor":
			v.Why = []string{"cut"}
		}
		says := w.Say(code, v)
		if bad.MatchString(says) || !strings.HasSuffix(says, ".") || strings.ToUpper(says[:1]) != says[:1] {
			t.Errorf("%s says %q", code, says)
		}
		t.Logf("%-24s %s", code, says)
	}
}

func TestShort(t *testing.T) {
	w := For("en")
	for _, a := range []house.Advice{policy.Decide(policy.Input{}), policy.DecideParcel(policy.Input{})} {
		for _, c := range a.Conditions {
			lacks := w.Short(house.Condition{Code: c.Code})
			holds, moot := w.Short(house.Condition{Code: c.Code, Met: true}),
				w.Short(house.Condition{Code: c.Code, NotAsked: true})
			if holds == "" || lacks == "" || holds == lacks || moot != "not asked whether "+holds {
				t.Errorf("%s: holds %q, lacks %q, not asked %q", c.Code, holds, lacks, moot)
			}
			if c.Code == policy.Sign {
				t.Error("a picture is spoken of where nobody is seen")
			}
		}
	}
	for _, c := range []house.Condition{{Code: "mood"}, {Code: "mood", Met: true}} {
		if says := w.Short(c); !strings.Contains(says, "mood") {
			t.Errorf("of another version's: %q", says)
		}
	}
	if says := w.Condition(house.Condition{Code: policy.Home}); says != "The household is away." {
		t.Errorf("without a reason: %q", says)
	}
}

func TestRefusal(t *testing.T) {
	holiday := house.Refused{Value: "1.1.2027", Why: house.Refusal("holiday-date")}
	w := For("en")
	for _, test := range []struct {
		err  error
		want string
	}{
		{policy.ErrNeed, "a rule needs one factor at least, and no more than it names"},
		{fmt.Errorf("rule 3: %w", policy.ErrWeak), "a weak match never counts"},
		{errors.Join(policy.ErrWait, holiday),
			`a wait lasts 1 minute to 24 hours; "1.1.2027": a holiday is a date such as 2027-01-01`},
		{os.ErrClosed, ""},
		{errors.Join(policy.ErrWait, os.ErrClosed), ""},
	} {
		if got, ok := w.Refusal(test.err); got != test.want || ok != (test.want != "") {
			t.Errorf("%v: %t %q", test.err, ok, got)
		}
	}
}

func TestLength(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 seconds", 1900 * time.Millisecond: "1 second", 119 * time.Second: "119 seconds", 2 * time.Minute: "2 minutes",
		119 * time.Minute: "119 minutes", 2 * time.Hour: "2 hours", 50 * time.Hour: "2 days",
	} {
		if got := (telling{words: For("en")}).Length(d); got != want {
			t.Errorf("%s is %q, not %q", d, got, want)
		}
	}
}

// TestProbability is never certain.
func TestProbability(t *testing.T) {
	for p, want := range map[float64]string{
		0: "under 1 %", 0.009: "under 1 %", 0.01: "1 %", 0.5: "50 %", 0.98: "98 %", 0.991: "99.1 %",
		0.9994: "99.9 %", 0.9996: "over 99.9 %", 1: "over 99.9 %",
	} {
		if got := For("en").Probability(p); got != want {
			t.Errorf("%v: %q, want %q", p, got, want)
		}
	}
}

// TestFor falls back to English for a language that is not there.
func TestFor(t *testing.T) {
	for _, lang := range []string{"en", "en-GB", "eo", "", "?"} {
		if got := For(lang).Say("clock-back", house.Values{}); got != "The server's clock jumped back." {
			t.Errorf("%s: %q", lang, got)
		}
	}
}

// Words know no rooms but the house, so that all may use them.
//
// Outside: what the go command says of the package (`go help list`).
func TestImportsHouseAtMost(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, dep := range strings.Fields(string(out)) {
		if strings.HasPrefix(dep, "lintel/") && dep != "lintel/internal/house" && dep != "lintel/internal/words" {
			t.Errorf("it knows %s", dep)
		}
	}
}
