package web

import (
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lintel/internal/words"
)

// marked has all that a catalog says in German stand between brackets that nothing
// else has (U+27E6 and U+27E7), until the test ends.
func marked(t *testing.T) {
	t.Helper()
	was := speak
	speak = func(lang string) words.Words {
		if lang != "de" {
			return was(lang)
		}
		return was(lang).Marking(func(says string) string { return "⟦" + says + "⟧" })
	}
	t.Cleanup(func() { speak = was })
}

// unmarked is a text without what stands between brackets, which may stand within
// others.
func unmarked(text string) string {
	var out strings.Builder
	depth := 0
	for _, r := range text {
		switch {
		case r == '⟦':
			depth++
		case r == '⟧':
			depth--
			out.WriteByte(' ')
		case depth == 0:
			out.WriteRune(r)
		}
	}
	return out.String()
}

// data is what stands on pages in every language as it is: ids, names of time
// zones (IANA), units (IEC 80000-13), addresses, commands, the project's name and
// what another language is called by those who speak it.
var data = regexp.MustCompile(`\b[A-Z2-7]{26}\b|\b[A-Z][A-Za-z]+/[A-Z][A-Za-z_/-]+|\d [KMGTP]iB|https?://\S+|` +
	`^lintel [a-z]+ .*|^English$|\bLintel\b|\b[0-9a-f]{64}\b`)

// onDisplay is what a bell's display shows: what the household wrote or chose, in
// the display's characters, which have no such brackets. So are initials of names.
var onDisplay = regexp.MustCompile(`(?s)<pre class="lcd">.*?</pre>|<form [^>]*class="board".*?</form>|` +
	`<span class="portrait initials".*?</span>`)

// forPrograms are problems whose detail is what a decoder said.
var forPrograms = []string{"/problems/bad-body", "/problems/no-websocket"}

// inGerman asks as a browser does whose user reads German.
var inGerman = header("Accept-Language", "de-AT, de;q=0.9, en;q=0.5")

// TestEveryPageSpeaksByTheCatalog reads every page as somebody does who reads German, with something of everything
// in the house, and every page and answer that refuses something. No word is left
// that no catalog has said in German, but for what the test put in itself.
func TestEveryPageSpeaksByTheCatalog(t *testing.T) {
	w, ofResident, ofTablet := newWalk(t)
	w.furnish()
	for i, judged := range judgedFaces() {
		f := faceAt(descriptorAt(1, w.weakly()))
		f.Liveness = judged.liveness
		w.sees(fmt.Sprint("judged-", i), f)
	}
	marked(t)
	names := w.typed()
	read := 0
	found := make(map[string][]string) // where, by what is said
	hear := func(where string, a *answer) {
		says := heardIn(t, a)
		if says != nil {
			read++
		}
		for _, text := range says {
			text = data.ReplaceAllString(names.Replace(text), "")
			if letters.MatchString(text) && !slices.Contains(found[text], where) {
				found[text] = append(found[text], where)
			}
		}
	}
	for _, pattern := range everyDoor() {
		for _, key := range []string{ofResident, ofTablet, "NOSUCHSESSION"} {
			if strings.HasPrefix(pattern, "GET") || key != ofResident {
				hear(pattern, w.step(pattern, w.session(key), browser, inGerman))
				hear(pattern, w.step(pattern, w.session(key), inGerman))
			}
		}
	}
	hear("a typed message", w.post("/visits/"+w.visit+"/message", typedMessage, w.session(ofResident), browser, inGerman))
	for _, pattern := range everyDoor() { // forms with nothing in them, or with nonsense
		method, path, _ := strings.Cut(w.ruled.place(pattern).Replace(pattern), " ")
		if path == "" || method == "GET" || strings.HasSuffix(path, "sign-out") {
			continue
		}
		for _, place := range []string{"NOSUCH", w.visit} {
			at := regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(path, place)
			for _, body := range []string{"", "x=y", url.Values{"name": {"%"}, "from": {"x"}}.Encode(), `{"x":1}`} {
				form := header("Content-Type", "application/x-www-form-urlencoded")
				hear(pattern, w.ask(method, at, strings.NewReader(body), form, w.session(ofResident), browser, inGerman))
			}
		}
	}
	for text, where := range found {
		t.Errorf("no catalog says %q: %s", text, strings.Join(where, ", "))
	}
	if read < 300 {
		t.Errorf("only %d answers were read", read)
	}
}

// heardIn returns what an answer says besides what a catalog said: nil where it
// is neither a page nor JSON.
func heardIn(t *testing.T, a *answer) []string {
	t.Helper()
	says := []string{}
	switch kind := a.Header.Get("Content-Type"); {
	case a.StatusCode/100 == 3: // a browser goes on and shows none of it
		return nil
	case strings.HasPrefix(kind, "text/html"):
		return readAloud(unmarked(onDisplay.ReplaceAllString(string(a.body), "")))
	case kind == "application/problem+json":
		var p problemJSON
		if err := json.Unmarshal(a.body, &p); err != nil {
			t.Error(err)
		}
		if slices.Contains(forPrograms, p.Type) {
			p.Detail = ""
		}
		return append(says, unmarked(p.Title), unmarked(p.Detail))
	case kind == "application/json":
		for _, m := range regexp.MustCompile(`"says":("[^"\\]*")`).FindAllSubmatch(a.body, -1) {
			says = append(says, unmarked(string(m[1])))
		}
		return says
	}
	return nil
}

// typed are the names that the test put into the house.
func (w walk) typed() *strings.Replacer {
	w.t.Helper()
	all := []string{"gate", "shed", "yard", "garden", "Hall", "Attic"}
	names, err := w.archive.Names(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	for _, name := range names {
		all = append(all, name)
	}
	sources, err := w.archive.Sources(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	for _, s := range sources {
		all = append(all, s.Name)
	}
	receivers, err := w.archive.Receivers(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	for _, r := range receivers {
		all = append(all, r.Name)
	}
	doors, err := w.archive.Doors(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	for _, d := range doors {
		all = append(all, d.Name, words.Capital(d.Name))
	}
	slices.SortFunc(all, func(a, b string) int { return len(b) - len(a) })
	var pairs []string
	for _, name := range all {
		pairs = append(pairs, name, "")
	}
	return strings.NewReplacer(pairs...)
}
