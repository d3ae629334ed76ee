package words

import (
	"html"
	"html/template"
	"strings"
)

// HTML is [Words.Lookup] for a page: what a message says is escaped, and what it
// is told, but for values that are markup already.
func (w Words) HTML(key string, told ...any) (template.HTML, error) {
	const first = '\uE000' // of the private use area, which no name has
	var markup []string
	told = append([]any(nil), told...)
	for i, value := range told {
		if text, ok := value.(template.HTML); ok {
			told[i] = string(first + rune(len(markup)/2))
			markup = append(markup, told[i].(string), string(text))
		}
	}
	says, err := w.Lookup(key, told...)
	if err != nil {
		return "", err
	}
	return template.HTML(strings.NewReplacer(markup...).Replace(html.EscapeString(says))), nil
}
