package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"html/template"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"text/template/parse"

	"golang.org/x/net/html"
)

// unmoved are the pages, scripts and files that still say things by themselves.
var unmoved = strings.Fields(`
	account.html
	advice-card.html
	advice-door.html
	advice-dry.html
	advice-house.html
	advice-month.html
	advice-parcels.html
	advice-rule-preview.html
	advice-rule.html
	advice-rules.html
	book.html
	check-answer.html
	check-answers.html
	check-changes.html
	check-threshold.html
	checks.html
	confirm.html
	erasure.html
	frame.html
	household.html
	lens.html
	masks.html
	now.html
	pair.html
	people.html
	person.html
	problem.html
	rules-preview.html
	rules.html
	sign-in.html
	sources.html
	stranger.html
	strangers.html
	trail.html
	trial.html
	upkeep.html
	visit.html
	warning.html
	api.go
	api_check.go
	api_factors.go
	api_live.go
	api_stills.go
	api_visits.go
	banner.go
	household.go
	masking.go
	page_account.go
	page_advice.go
	page_advice_house.go
	page_advice_month.go
	page_book.go
	page_check.go
	page_check_answer.go
	page_check_changes.go
	page_check_threshold.go
	page_door_rules.go
	page_doors.go
	page_dry_run.go
	page_erasure.go
	page_lens.go
	page_masks.go
	page_now.go
	page_parcels.go
	page_people.go
	page_receivers.go
	page_rules.go
	page_rules_form.go
	page_sources.go
	page_stranger.go
	page_strangers.go
	page_trail.go
	page_trials.go
	page_upkeep.go
	page_visit.go
	page_warning.go
	pages.go
	prior.go
	problem.go
	problems.go
	speech.go
	advice.js
	check.js
	masks.js
	now.js
	trial.js
	visit.js
`)

// TestPagesSpeakByTheCatalog reads the text of all pages, with what a template
// puts in left out, as a browser would (golang.org/x/net/html). No letter may
// be left that people see or hear.
func TestPagesSpeakByTheCatalog(t *testing.T) {
	files, err := filepath.Glob("pages/*.html")
	if err != nil || len(files) == 0 {
		t.Fatal(len(files), err)
	}
	for _, file := range files {
		if slices.Contains(unmoved, filepath.Base(file)) {
			continue
		}
		trees := template.Must(template.New(filepath.Base(file)).Funcs(speaking("")).ParseFS(pageFiles, file))
		for _, part := range trees.Templates() {
			if part.Tree == nil {
				continue
			}
			for _, says := range readAloud(written(part.Tree.Root)) {
				t.Errorf("%s, %s says by itself: %q", file, part.Name(), says)
			}
		}
	}
}

// written is the text of a template, a space for each action.
func written(node parse.Node) (text string) {
	switch n := node.(type) {
	case *parse.ListNode:
		if n == nil {
			return ""
		}
		for _, child := range n.Nodes {
			text += written(child)
		}
	case *parse.TextNode:
		return string(n.Text)
	case *parse.IfNode:
		return written(n.List) + written(n.ElseList)
	case *parse.RangeNode:
		return written(n.List) + written(n.ElseList)
	case *parse.WithNode:
		return written(n.List) + written(n.ElseList)
	default:
		return "0"
	}
	return text
}

// heard are the attributes that people see or hear.
var heard = []string{"alt", "title", "placeholder", "aria-label", "aria-description"}

// letters of words. A unit such as px or m, one letter and times and dates are
// told the same in all languages.
var letters = regexp.MustCompile(`\p{L}{2,}`)

// readAloud returns what has letters in a page, of text and of attributes.
func readAloud(page string) (says []string) {
	hear := func(text string) {
		if text = strings.TrimSpace(text); letters.MatchString(text) && text != "Lintel" {
			says = append(says, text)
		}
	}
	silent := ""
	for z := html.NewTokenizer(strings.NewReader(page)); z.Next() != html.ErrorToken; {
		token := z.Token()
		switch {
		case token.Type == html.StartTagToken && (token.Data == "script" || token.Data == "style"):
			silent = token.Data
		case token.Type == html.EndTagToken && token.Data == silent:
			silent = ""
		case token.Type == html.TextToken && silent == "":
			hear(token.Data)
		}
		for _, a := range token.Attr {
			if slices.Contains(heard, a.Key) || a.Key == "value" && token.Data == "input" && buttonLike(token) {
				hear(a.Val)
			}
		}
	}
	return says
}

func buttonLike(token html.Token) bool {
	return slices.ContainsFunc(token.Attr, func(a html.Attribute) bool {
		return a.Key == "type" && (a.Val == "submit" || a.Val == "button")
	})
}

// sayings are literals that people may be shown: two words or more.
var sayings = regexp.MustCompile(`\p{L}[\p{L}’',]* \p{L}`)

// TestHandlersSpeakByTheCatalog looks for sentences in the code of screens.
// Those of errors that only the log sees may stand there.
func TestHandlersSpeakByTheCatalog(t *testing.T) {
	for _, dir := range []string{".", "view"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil || len(files) == 0 {
			t.Fatal(len(files), err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") || slices.Contains(unmoved, filepath.Base(file)) {
				continue
			}
			set := token.NewFileSet()
			code, err := parser.ParseFile(set, file, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(code, func(n ast.Node) bool {
				if call, ok := n.(*ast.CallExpr); ok && forTheLog(call) {
					return false
				}
				if s, ok := n.(*ast.BasicLit); ok && s.Kind == token.STRING {
					if text, _ := strconv.Unquote(s.Value); sayings.MatchString(text) && !routePattern.MatchString(text) {
						t.Errorf("%s says by itself: %q", set.Position(s.Pos()), text)
					}
				}
				return true
			})
		}
	}
}

var routePattern = regexp.MustCompile(`^(GET|POST|PUT|PATCH|DELETE) /|^[a-z-]+:|^[a-z/-]+; charset|^\w+=`)

// forTheLog tells calls that make errors or log lines.
func forTheLog(call *ast.CallExpr) bool {
	f, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	of, _ := f.X.(*ast.Ident)
	name := f.Sel.Name
	if of != nil && (of.Name == "fmt" && name == "Errorf" || of.Name == "errors" && name == "New") {
		return true
	}
	return slices.Contains([]string{"Error", "Warn", "Info", "Debug"}, name)
}

// TestScriptsSpeakByTheCatalog looks for sentences in scripts: pages bring them
// along, as text or in data attributes.
func TestScriptsSpeakByTheCatalog(t *testing.T) {
	files, err := filepath.Glob("assets/*.js")
	if err != nil || len(files) == 0 {
		t.Fatal(len(files), err)
	}
	comment := regexp.MustCompile(`(?m)//.*$|/\*(?s:.*?)\*/`)
	literal := regexp.MustCompile("`[^`]*`|\"[^\"\\n]*\"|'[^'\\n]*'")
	for _, file := range files {
		if slices.Contains(unmoved, filepath.Base(file)) {
			continue
		}
		script, err := assetFiles.ReadFile(filepath.ToSlash(file))
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range literal.FindAllString(comment.ReplaceAllString(string(script), ""), -1) {
			if sayings.MatchString(text) && text != `"use strict"` {
				t.Errorf("%s says by itself: %s", file, text)
			}
		}
	}
}
