package web

import (
	"fmt"
	"html"
	"html/template"
	"io"
	"strings"
	"sync"
)

// inLanguages holds the pages in each language that was asked for.
var inLanguages sync.Map

// drawPage renders a page, or a part of one, in a language.
func drawPage(to io.Writer, lang, name string, data any) error {
	said, ok := inLanguages.Load(lang)
	if !ok {
		clone, err := pages.Clone()
		if err != nil {
			return fmt.Errorf("taking pages over into %s: %w", lang, err)
		}
		said, _ = inLanguages.LoadOrStore(lang, clone.Funcs(speaking(lang)))
	}
	if err := said.(*template.Template).ExecuteTemplate(to, name, data); err != nil {
		return fmt.Errorf("drawing %s: %w", name, err)
	}
	return nil
}

// speaking are what pages speak by:
//
//	{{say "book-title"}}                              a message of the catalog
//	{{say "book-erased" "Count" 2}}                   with what is told
//	{{say "face-of" "Name" (link .Address .Name)}}    with markup in it
//	{{mark "strong" (say "band-strong")}}             <span class="strong">…</span>
//	{{time .DateTime .Clock}}, {{code "lintel sweep"}}
//
// What a message says is escaped, and what it is told, but for the markup of
// these.
func speaking(lang string) template.FuncMap {
	return template.FuncMap{
		"printf":    func(format string, args ...any) string { return speak(lang).Sprintf(format, args...) },
		"refused":   func(err error) string { return why(speak(lang), err) },
		"languages": func() []languageChoice { return choicesOfLanguage(lang) },
		"say":       func(key string, told ...any) (template.HTML, error) { return speak(lang).HTML(key, told...) },
		"link": func(address string, text any) (template.HTML, error) {
			return element(`<a class="inline" href="%s">%s</a>`, safeAddress(address), text)
		},
		"mark": func(class string, text any) (template.HTML, error) {
			return element(`<span class="%s">%s</span>`, class, text)
		},
		"time": func(datetime string, text any) (template.HTML, error) {
			return element(`<time datetime="%s">%s</time>`, datetime, text)
		},
		"code":   func(text any) (template.HTML, error) { return element(`<code%s>%s</code>`, "", text) },
		"pair":   func(first, second any) pair { return pair{first, second} },
		"digits": func() []int { return []int{1, 2, 3, 4, 5, 6, 7, 8, 9, 0} },
	}
}

// A pair is what a template is called with that takes two things.
type pair struct{ First, Second any }

func element(form, attribute string, text any) (template.HTML, error) {
	inside, ok := text.(template.HTML)
	if !ok {
		inside = template.HTML(html.EscapeString(fmt.Sprint(text)))
	}
	return template.HTML(fmt.Sprintf(form, html.EscapeString(attribute), inside)), nil
}

// safeAddress keeps links within this server.
func safeAddress(address string) string {
	if !strings.HasPrefix(address, "/") && !strings.HasPrefix(address, "#") || strings.HasPrefix(address, "//") {
		return "#"
	}
	return address
}
