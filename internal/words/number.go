package words

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/nicksnyder/go-i18n/v2/i18n/template"
)

// Sprintf is [fmt.Sprintf] with the numbers that have decimals written as the
// language does, "0.31" or "0,31". It is printf in messages and on pages.
func (w Words) Sprintf(format string, args ...any) string { return w.tongue().sprintf(format, args...) }

func (t *tongue) sprintf(format string, args ...any) string {
	if t.point != "." {
		args = append([]any(nil), args...)
		for i, arg := range args {
			if x, ok := arg.(float64); ok {
				args[i] = decimal{x, t.point}
			}
		}
	}
	return fmt.Sprintf(format, args...)
}

// Figures writes a number that was written with a point as the language does.
func (w Words) Figures(number string) string {
	return strings.Replace(number, ".", w.tongue().point, 1)
}

// A decimal is a number that is written with a language's own point.
type decimal struct {
	number float64
	point  string
}

func (d decimal) Format(f fmt.State, verb rune) {
	fmt.Fprint(f, strings.Replace(fmt.Sprintf(fmt.FormatString(f, verb), d.number), ".", d.point, 1))
}

// Amount is a number with thin spaces between thousands, as ISO 80000-1 has it in
// every language.
func (w Words) Amount(n int64) string { return thousands(strconv.FormatInt(n, 10)) }

// thousands puts spaces between the figures of a whole number that is not negative.
func thousands(figures string) string {
	for i := len(figures) - 3; i > 0; i -= 3 {
		figures = figures[:i] + "\u202f" + figures[i:]
	}
	return figures
}

// Bytes is a number of bytes in the units of IEC 80000-13.
func (w Words) Bytes(n int64) string {
	if n < 1024 {
		return w.N(int(n), "byte")
	}
	v, unit := float64(n), -1
	for v >= 1024 && unit < 4 {
		v, unit = v/1024, unit+1
	}
	return w.Sprintf("%.1f %ciB", v, "KMGTP"[unit])
}

// numbersOf parses messages in which printf writes numbers as the language does.
type numbersOf struct{ of *tongue }

func (p numbersOf) Parse(src, left, right string) (template.ParsedTemplate, error) {
	text := template.TextParser{Funcs: map[string]any{"printf": p.of.sprintf}}
	return text.Parse(src, left, right)
}

// Cacheable is true, since no language shares its messages with another.
func (numbersOf) Cacheable() bool { return true }
