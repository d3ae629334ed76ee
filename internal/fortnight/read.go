package fortnight

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"
)

// A section is a table of the file with where it is, so that whatever is wrong can
// be told by its line.
type section struct {
	header  string // "[[day]]"
	line    int    // of the header, from 1
	body    []string
	happens []entry
}

// An entry is a line that tells of one happening.
type entry struct {
	line int
	text string
}

var header = regexp.MustCompile(`^(\[.*\])\s*(#.*)?$`)

// split cuts a file into its sections, and what happens out of those.
func split(text string) (all []section, err error) {
	var s *section
	list := false
	for i, line := range strings.Split(text, "\n") {
		bare := strings.TrimSpace(line)
		nothing := bare == "" || strings.HasPrefix(bare, "#")
		if found := header.FindStringSubmatch(line); found != nil && !list {
			all = append(all, section{header: found[1], line: i + 1})
			s = &all[len(all)-1]
			continue
		}
		table := "" // what the section's table has of the line
		switch {
		case s == nil && nothing:
			continue
		case s == nil:
			return nil, fmt.Errorf("line %d: this is in no section", i+1)
		case list && bare == "]":
			list = false
		case list && strings.HasPrefix(bare, "{"):
			s.happens = append(s.happens, entry{i + 1, bare})
		case list && !nothing:
			return nil, fmt.Errorf("line %d: each thing that happens is in braces, on a line of its own", i+1)
		case list:
		case bare == "happens = [":
			list = true
		default:
			table = line
		}
		s.body = append(s.body, table)
	}
	if list {
		return nil, fmt.Errorf("line %d: what happens here has no end", s.line)
	}
	return all, nil
}

// decode reads a file.
func decode(text string) (f file, err error) {
	sections, err := split(text)
	if err != nil {
		return f, err
	}
	once := make(map[string]bool)
	for _, s := range sections {
		if !strings.HasPrefix(s.header, "[[") {
			if once[s.header] {
				return f, fmt.Errorf("line %d: there is %s already", s.line, s.header)
			}
			once[s.header] = true
		}
		if err := f.add(s); err != nil {
			return f, err
		}
	}
	return f, nil
}

// add reads a section.
func (f *file) add(s section) (err error) {
	switch s.header {
	case "[house]":
		err = s.read(&f.house)
	case "[[person]]":
		f.persons, err = another(s, f.persons, person{line: s.line})
	case "[[stranger]]":
		f.strangers, err = another(s, f.strangers, stranger{line: s.line})
	case "[[bell]]":
		f.bells, err = another(s, f.bells, bell{line: s.line})
	case "[keep]":
		err = s.read(&f.keep)
	case "[[quiet]]":
		f.quiet, err = another(s, f.quiet, quiet{})
	case "[[rule]]":
		f.rules, err = another(s, f.rules, rule{line: s.line})
	case "[messages.rules]":
		err = s.read(&f.says)
	case "[[messages.text]]":
		f.texts, err = another(s, f.texts, says{})
	default:
		return f.addPart(s)
	}
	if err == nil && len(s.happens) > 0 {
		err = fmt.Errorf("line %d: nothing happens in %s", s.happens[0].line, s.header)
	}
	return err
}

// another reads a section that is one of several alike.
func another[T any](s section, all []T, one T) ([]T, error) {
	err := s.read(&one)
	return append(all, one), err
}

// addPart reads a section in which something happens.
func (f *file) addPart(s section) error {
	if !slices.Contains([]string{"[[weekly]]", "[[day]]", "[before]", "[live]"}, s.header) {
		return fmt.Errorf("line %d: there is no section %s", s.line, s.header)
	}
	p := part{line: s.line}
	if err := s.read(&p); err != nil {
		return err
	}
	for _, e := range s.happens {
		var one struct{ X []happening }
		if err := read(e.line, "x = ["+e.text+"\n]", &one); err != nil {
			return err
		}
		one.X[0].line = e.line
		p.happens = append(p.happens, one.X[0])
	}
	switch s.header {
	case "[[weekly]]":
		f.weekly = append(f.weekly, p)
	case "[[day]]":
		f.days = append(f.days, p)
	case "[before]":
		f.before = p
	case "[live]":
		f.live = p
	}
	return nil
}

// read reads the section's table.
func (s section) read(to any) error { return read(s.line+1, strings.Join(s.body, "\n"), to) }

// tomlLine begins the errors of package toml, which has no other place for the line
// in all of them.
var tomlLine = regexp.MustCompile(`^toml: line (\d+) `)

// read decodes a text that begins at a line of the file.
func read(line int, text string, to any) error {
	md, err := toml.Decode(text, to)
	if err != nil {
		if at := tomlLine.FindStringSubmatch(err.Error()); at != nil {
			within, _ := strconv.Atoi(at[1])
			return fmt.Errorf("line %d: %s", line+within-1, err.Error()[len(at[0]):])
		}
		return fmt.Errorf("line %d: %w", line, err)
	}
	if strange := md.Undecoded(); len(strange) > 0 {
		name := strange[0][len(strange[0])-1]
		return fmt.Errorf("line %d: %s means nothing here", line+lineOf(text, name), name)
	}
	return nil
}

// lineOf is the line of a text that has a key, from 0.
func lineOf(text, key string) int {
	is := regexp.MustCompile(`(^|[\s{,."])` + regexp.QuoteMeta(key) + `"?\s*=`)
	for i, line := range strings.Split(text, "\n") {
		if is.MatchString(line) {
			return i
		}
	}
	return 0
}
