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
		if text = strings.TrimSpace(text); letters.MatchString(strings.ReplaceAll(text, "Lintel", "")) {
			says = append(says, text)
		}
	}
	silent := ""
	for z := html.NewTokenizer(strings.NewReader(page)); z.Next() != html.ErrorToken; {
		token := z.Token()
		switch {
		case token.Type == html.StartTagToken && slices.Contains([]string{"script", "style", "noscript"}, token.Data):
			silent = token.Data
		case token.Type == html.EndTagToken && token.Data == silent:
			silent = ""
		case token.Type == html.TextToken && silent == "noscript": // a tokenizer takes it for plain text
			says = append(says, readAloud(token.Data)...)
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
	for _, dir := range []string{".", "view", "../cmd/lintel", "../pipeline/export"} {
		files, err := filepath.Glob(dir + "/*.go")
		if err != nil || len(files) == 0 {
			t.Fatal(len(files), err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") || slices.Contains(unmoved, filepath.Base(file)) ||
				filepath.Base(file) == "help.go" { // the interface of the program, as the tags of flags
				continue
			}
			set := token.NewFileSet()
			code, err := parser.ParseFile(set, file, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			ast.Inspect(code, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.CallExpr:
					if forTheLog(n) {
						return false
					}
				case *ast.FuncDecl: // of --help
					if n.Name.Name == "Help" {
						return false
					}
				case *ast.Field:
					return n.Tag == nil
				}
				if s, ok := n.(*ast.BasicLit); ok && s.Kind == token.STRING {
					text, _ := strconv.Unquote(s.Value)
					if sayings.MatchString(tag.ReplaceAllString(text, "")) && !routePattern.MatchString(text) {
						t.Errorf("%s says by itself: %q", set.Position(s.Pos()), text)
					}
				}
				return true
			})
		}
	}
}

var routePattern = regexp.MustCompile(`^(GET|POST|PUT|PATCH|DELETE) /|^[a-z-]+:|^[a-z/-]+; ` +
	`charset|^\w+=|^Bearer realm=|` +
	`^lintel (access export|visit)|^private, max-age=`)

var tag = regexp.MustCompile(`<[^>]*>`)

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
	silent := regexp.MustCompile(`(?m)(^|\s)//.*$|/\*(?s:.*?)\*/|(querySelector(All)?|closest|matches)(\?\.)?\([^)]*`) // comments and selectors
	literal := regexp.MustCompile("`[^`]*`|\"[^\"\\n]*\"|'[^'\\n]*'")
	for _, file := range files {
		if slices.Contains(unmoved, filepath.Base(file)) {
			continue
		}
		script, err := assetFiles.ReadFile(filepath.ToSlash(file))
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range literal.FindAllString(silent.ReplaceAllString(string(script), ""), -1) {
			if sayings.MatchString(text) && text != `"use strict"` {
				t.Errorf("%s says by itself: %s", file, text)
			}
		}
	}
}
