package words

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// messages are those of a catalog, a plural form behind a dot after the key.
func messages(t *testing.T, file string) map[string]string {
	t.Helper()
	var read map[string]any
	if _, err := toml.DecodeFS(files, file, &read); err != nil {
		t.Fatal(err)
	}
	all := make(map[string]string)
	for key, value := range read {
		switch value := value.(type) {
		case string:
			all[key] = value
		case map[string]any:
			for form, says := range value {
				all[key+"."+form] = says.(string)
			}
		}
	}
	return all
}

// alike are messages that are the same in both languages, and why.
var alike = map[string]string{
	"month-4": "a name of both languages", "month-8": "a name of both languages",
	"month-9": "a name of both languages", "month-11": "a name of both languages",
	"book-person": "a word of both languages", "export-name": "a word of both languages",
	"advice-confirm-pin": "a word of both languages", "bell-firmware": "a word of both languages",
	"threshold-column-fnir": "ISO/IEC 19795-1", "threshold-column-fpir": "ISO/IEC 19795-1",
	"trust-firefox": "a program's name", "source-try": "a command",
}

// TestGermanHasEveryMessage compares de.toml with en.toml: the same keys, the same
// plural forms and the same places, and other words.
func TestGermanHasEveryMessage(t *testing.T) {
	english, german := messages(t, "en.toml"), messages(t, "de.toml")
	for _, key := range slices.Sorted(maps.Keys(english)) {
		says, there := german[key]
		switch {
		case !there:
			t.Errorf("German lacks %s: %q", key, english[key])
		case !slices.Equal(places(says), places(english[key])):
			t.Errorf("%s has places %q in German and %q in English", key, places(says), places(english[key]))
		case says == english[key] && sameWords(key, says):
			t.Errorf("%s is English in German: %q", key, says)
		}
	}
	for key, why := range alike {
		if german[key] != english[key] {
			t.Errorf("%s is not the same in both (%s)", key, why)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(german)) {
		if _, there := english[key]; !there {
			t.Errorf("German has %s, which English has not", key)
		}
	}
	t.Logf("%d messages", len(english))
}

var place = regexp.MustCompile(`\{\{.*?\}\}|\{[a-z]+\}`)

// named is what a place is filled with.
var named = regexp.MustCompile(`\.[A-Z]\w*|\{[a-z]+\}`)

// places are what a message is filled with, each once.
func places(says string) (all []string) {
	for _, p := range place.FindAllString(says, -1) {
		all = append(all, named.FindAllString(p, -1)...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// sameWords reports whether a message that is the same in both languages should not
// be: it has words, and is not among those that are alike.
func sameWords(key, says string) bool {
	if _, ok := alike[key]; ok {
		return false
	}
	return regexp.MustCompile(`\p{L}{2,}`).MatchString(place.ReplaceAllString(strings.TrimSpace(says), ""))
}
