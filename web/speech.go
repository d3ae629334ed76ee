package web

import (
	"fmt"
	"html"
	"html/template"
	"io"
	"net/http"
	"strings"
	"sync"

	"lintel/internal/words"
)

// language is that of all screens.
const language = "en"

// languageOf is the language that whoever asks reads.
func languageOf(*http.Request) string { return language }

// speak returns the words of a language; tests have them marked.
var speak = words.For

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
//
// What a message says is escaped, and what it is told, but for link and mark.
func speaking(lang string) template.FuncMap {
	return template.FuncMap{
		"say": func(key string, told ...any) (template.HTML, error) { return sayOn(lang, key, told) },
		"link": func(address string, text any) (template.HTML, error) {
			return element(`<a class="inline" href="%s">%s</a>`, safeAddress(address), text)
		},
		"mark": func(class string, text any) (template.HTML, error) {
			return element(`<span class="%s">%s</span>`, class, text)
		},
	}
}

// sayOn says a message for a page. Markup that is told stands in for a private
// character while the message is escaped.
func sayOn(lang, key string, told []any) (template.HTML, error) {
	const first = '\uE000' // of the private use area, which no name has
	var markup []string
	told = append([]any(nil), told...)
	for i, value := range told {
		if text, ok := value.(template.HTML); ok {
			told[i] = string(first + rune(len(markup)/2))
			markup = append(markup, told[i].(string), string(text))
		}
	}
	says, err := speak(lang).Lookup(key, told...)
	if err != nil {
		return "", err
	}
	return template.HTML(strings.NewReplacer(markup...).Replace(html.EscapeString(says))), nil
}

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
