package chromium

import (
	"context"
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

//go:embed axe/axe.min.js
var axe string

// A Finding is what is wrong with a page, by which rule, and where.
type Finding struct {
	Rule, Says string
	Where      []string
}

func (f Finding) String() string {
	return fmt.Sprintf("%s: %s\n\t%s", f.Rule, f.Says, strings.Join(f.Where, "\n\t"))
}

// The rules that axe-core goes by: those for WCAG 2.2, levels A and AA, and what is
// best practice besides; and the setting that leaves contrast out.
const (
	allRules  = `{ type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }`
	noColours = `, rules: { "color-contrast": { enabled: false } }`
)

// byRules is a question for axe-core.
const byRules = `(async () => (await axe.run({ runOnly: %s, resultTypes: ["violations"] })).violations.map((v) => ({
	Rule: v.id, Says: v.help,
	Where: v.nodes.map((n) => n.html.slice(0, 200) + " (" + n.failureSummary.replaceAll(/\s+/g, " ") + ")") })))()`

// byNames finds links of one name that lead to several places, by the names that
// axe-core gives them. It has a rule for that at level AAA, which only asks somebody
// to look. A name with a time of day in it is told apart by that: two may ring in one
// minute. And each page has one heading of the first level.
const byNames = `(() => {
	const places = {}, findings = [];
	axe.setup(document);
	for (const link of document.querySelectorAll("a[href]")) {
		// One without a name is behind an open dialog; of others axe-core says so itself.
		const name = axe.commons.text.accessibleText(link).trim();
		if (name && link.checkVisibility()) (places[name] ??= new Set()).add(link.href);
	}
	axe.teardown();
	for (const [name, to] of Object.entries(places)) {
		if (to.size < 2 || /\d:\d\d/.test(name)) continue;
		findings.push({ Rule: "link-names", Says: name + " leads to several places", Where: [...to] });
	}
	const headed = document.querySelectorAll("h1").length;
	if (headed !== 1) findings.push({ Rule: "one-h1", Says: "there are " + headed, Where: [] });
	return findings;
})()`

// byWidth finds what sticks out sideways.
const byWidth = `(() => {
	const root = document.documentElement, seen = root.clientWidth;
	return root.scrollWidth <= seen ? [] : [{ Rule: "reflow", Says: root.scrollWidth + " px wide, of " + seen,
		Where: [...document.querySelectorAll("body *")].filter((e) => {
			const box = e.getBoundingClientRect();
			return Math.max(box.right, box.left + e.scrollWidth) > seen + 1;
		})
			.map((e) => e.outerHTML.slice(0, 200)) }];
})()`

// Findings are what is wrong with the page that a browser shows, as it shows it. It
// is scripted past the page's content security policy, which holds the page alone.
func Findings(browser context.Context) ([]Finding, error) {
	return ask(browser, fmt.Sprintf(byRules, allRules), byNames, byWidth)
}

// ask brings axe-core into a page, if it is not there yet, and puts questions.
func ask(browser context.Context, questions ...string) (found []Finding, err error) {
	there, err := chromedp.Run(browser, chromedp.Evaluate[bool](`!!window.axe`))
	if err == nil && !there {
		_, err = chromedp.Run(browser, chromedp.Evaluate[bool](axe+"; true"))
	}
	if err != nil {
		return nil, fmt.Errorf("bringing axe-core in: %w", err)
	}
	for _, question := range questions {
		some, err := chromedp.Run(browser, chromedp.Evaluate[[]Finding](question, chromedp.EvalAwaitPromise))
		if err != nil {
			return nil, fmt.Errorf("asking axe-core: %w", err)
		}
		found = append(found, some...)
	}
	return found, nil
}

// Audit fails the test for each finding on the page that a browser shows.
func Audit(t testing.TB, browser context.Context, name string) {
	t.Helper()
	found, err := Findings(browser)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	for _, f := range found {
		t.Errorf("%s: %s", name, f)
	}
}

// A look is a screen that pages are made for, in CSS pixels, and what is asked there:
// of axe-core whatever hangs on the size, and of colours where coloured is set.
type look struct {
	width, height          int64
	theme                  string
	axe, coloured, heading bool
}

// looks are a tablet on the wall, a phone, a desk, by day and by night; and what WCAG
// 2.2 asks of pages besides: 320 px wide (1.4.10), and a 1280x800 tablet enlarged to
// 200 % (1.4.4). Colours are looked at once in each theme, and in both of the layouts
// that there are: nothing else takes axe-core as long.
var looks = []look{
	{1280, 800, "night", true, true, true},
	{800, 1280, "day", true, false, false},
	{1920, 1080, "night", true, false, false},
	{390, 844, "day", true, true, true},
	{640, 400, "night", false, false, false},
	{320, 640, "night", false, false, false},
}

// questions are what is asked of a page that looks so; and if it was looked at in
// another language before, only what the words may change.
func (l look) questions(again bool) (all []string) {
	switch {
	case again && !l.heading:
	case l.axe && l.coloured && !again:
		all = append(all, fmt.Sprintf(byRules, allRules))
	case l.axe:
		all = append(all, fmt.Sprintf(byRules, allRules+noColours))
	}
	if l.heading {
		all = append(all, byNames)
	}
	return append(all, byWidth)
}

// AuditEverywhere is [Audit] at every size that pages are made for, by day and by night;
// what is wrong at several is told once. Again is whether the page was looked at in
// another language before. It calls shown, if that is not nil, with what each look is
// called, and leaves the browser's page as wide as the last.
func AuditEverywhere(t testing.TB, browser context.Context, name string, again bool, shown func(look string)) {
	t.Helper()
	told := make(map[string]bool)
	for _, l := range looks {
		look := fmt.Sprintf("%s-%dx%d-%s", name, l.width, l.height, l.theme)
		_, err := chromedp.Run(browser, chromedp.EmulateViewport(l.width, l.height))
		if err == nil {
			_, err = chromedp.Run(browser, chromedp.Evaluate[string]("document.documentElement.dataset.theme = "+
				strconv.Quote(l.theme)))
		}
		var found []Finding
		if err == nil {
			found, err = ask(browser, l.questions(again)...)
		}
		if err != nil {
			t.Fatalf("%s: %v", look, err)
		}
		for _, f := range found {
			if what := f.Rule + f.Says; f.Rule == "reflow" || !told[what] {
				told[what] = true
				t.Errorf("%s: %s", look, f)
			}
		}
		if shown != nil {
			shown(look)
		}
	}
}
