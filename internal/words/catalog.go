package words

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/nicksnyder/go-i18n/v2/i18n/template"
	"golang.org/x/text/language"
)

//go:embed *.toml
var files embed.FS

// Own is the catalog of the languages that come with the program.
var Own = own()

// own reads what is part of the program, so what can't be read is a fault of the
// program.
func own() *Catalog {
	c, err := Read(files)
	if err != nil {
		panic(fmt.Errorf("reading the catalogs of messages: %w", err))
	}
	return c
}

// A Catalog has the messages of several languages, of which English is always one:
// what a language lacks is said in English.
type Catalog struct {
	tongues []*tongue // English first, the others by their tags
	match   language.Matcher
}

// A tongue is one language.
type tongue struct {
	tag     string
	says    *i18n.Localizer
	parser  template.Parser
	fixed   map[string]string // messages with neither places for values nor plurals, as most are
	point   string            // between a number and its decimals
	english *tongue
}

// Read reads a catalog: a file for each language, named by its tag (BCP 47) as in
// de.toml, with en.toml among them.
func Read(from fs.FS) (*Catalog, error) {
	names, err := fs.Glob(from, "*.toml")
	if err != nil {
		return nil, fmt.Errorf("looking for languages: %w", err)
	}
	c := new(Catalog)
	for _, name := range names {
		t, err := readTongue(from, name)
		if err != nil {
			return nil, fmt.Errorf("reading the language %s: %w", name, err)
		}
		c.tongues = append(c.tongues, t)
	}
	slices.SortFunc(c.tongues, func(a, b *tongue) int {
		return cmp.Or(strings.Compare(b.is("en"), a.is("en")), strings.Compare(a.tag, b.tag))
	})
	if len(c.tongues) == 0 || c.tongues[0].tag != "en" {
		return nil, errors.New("there is no en.toml among the languages")
	}
	var tags []language.Tag
	for _, t := range c.tongues {
		t.english = c.tongues[0]
		tags = append(tags, language.Make(t.tag))
	}
	c.match = language.NewMatcher(tags)
	return c, nil
}

// is is "1" for the language of that tag, and else "".
func (t *tongue) is(tag string) string {
	if t.tag == tag {
		return "1"
	}
	return ""
}

func readTongue(from fs.FS, name string) (*tongue, error) {
	tag, err := language.Parse(strings.TrimSuffix(path.Base(name), ".toml"))
	if err != nil {
		return nil, err
	}
	b := i18n.NewBundle(tag)
	b.RegisterUnmarshalFunc("toml", toml.Unmarshal)
	file, err := b.LoadMessageFileFS(from, name)
	if err != nil {
		return nil, err
	}
	t := &tongue{tag: tag.String(), says: i18n.NewLocalizer(b, tag.String()), fixed: fixed(file.Messages)}
	t.point, err = t.says.Localize(&i18n.LocalizeConfig{MessageID: "number-point"})
	t.parser = numbersOf{t}
	return t, err
}

// fixed are the messages that always say the same, by their keys. A page says hundreds
// of them, and to localize one takes microseconds.
func fixed(all []*i18n.Message) map[string]string {
	says := make(map[string]string, len(all))
	for _, m := range all {
		if m.Zero+m.One+m.Two+m.Few+m.Many == "" && !strings.Contains(m.Other, "{{") && m.Other != "" {
			says[m.ID] = m.Other
		}
	}
	return says
}

// Languages are the tags of all languages, English first.
func (c *Catalog) Languages() (tags []string) {
	for _, t := range c.tongues {
		tags = append(tags, t.tag)
	}
	return tags
}

// Has reports whether there is a language of exactly that tag.
func (c *Catalog) Has(tag string) bool { return slices.Contains(c.Languages(), tag) }

// Match returns the tag of the language that suits somebody best who asks for
// these, the best first: each is a tag, or a list of them with weights as browsers
// send in Accept-Language (RFC 9110, section 12.5.4). It is English where none does.
func (c *Catalog) Match(asked ...string) string {
	for _, one := range asked {
		tags, _, err := language.ParseAcceptLanguage(one)
		if err != nil || len(tags) == 0 {
			continue
		}
		if _, i, sure := c.match.Match(tags...); sure > language.No {
			return c.tongues[i].tag
		}
	}
	return c.tongues[0].tag
}

// For returns the words of a language by its tag, such as en or en-GB; those of
// English where there are none. They know no names, and tell times in UTC.
func (c *Catalog) For(lang string) Words {
	at := slices.IndexFunc(c.tongues, func(t *tongue) bool { return t.tag == lang })
	if at < 0 {
		at = slices.Index(c.Languages(), c.Match(lang))
	}
	return Words{language: c.tongues[at], name: func(string) string { return "" }}
}

// For is [Catalog.For] of the languages that come with the program.
func For(lang string) Words { return Own.For(lang) }

// look looks a message up in the language, and else in English. Count chooses the
// plural, nil where there is none.
func (t *tongue) look(key string, told, count any) (says string, err error) {
	if says, ok := t.fixed[key]; ok {
		return says, nil
	}
	says, err = t.says.Localize(&i18n.LocalizeConfig{MessageID: key, TemplateData: told, PluralCount: count,
		TemplateParser: t.parser})
	if err != nil && count != nil { // it says a number, and the same words of one and of many
		says, err = t.says.Localize(&i18n.LocalizeConfig{MessageID: key, TemplateData: told, TemplateParser: t.parser})
	}
	if missing := new(i18n.MessageNotFoundErr); errors.As(err, &missing) && t.english != nil && t != t.english {
		return t.english.look(key, told, count)
	}
	return says, err
}
