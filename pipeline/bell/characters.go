package bell

import (
	"maps"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"lintel/internal/house"
)

// A font has the code of each character that a ROM shows.
type font map[rune]byte

// fonts are the characters that each ROM has, by Hitachi's data sheet of the
// HD44780U, ADE-207-272(Z), Table 4 (ROM codes A00 and A02). They are written from
// memory of that table; a test compares them with another's reading of it.
//
// Left out are codes that the table leaves empty, those of the characters that a
// bell makes itself (0x00 to 0x0F), and glyphs that no character is: letters with
// their descender on the line and a few signs (0xE7, 0xE9 to 0xEB, 0xF0, 0xF1, 0xF8
// to 0xFC and 0xFE of A00, 0xB4 of A02).
var fonts = map[house.ROM]font{
	house.ROMA00: merge(
		run(0x20, ` !"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[¥]^_`),
		run(0x60, "`abcdefghijklmnopqrstuvwxyz{|}→←"),
		run(0xA1, "｡｢｣､･ｦｧｨｩｪｫｬｭｮｯｰｱｲｳｴｵｶｷｸｹｺｻｼｽｾｿﾀﾁﾂﾃﾄﾅﾆﾇﾈﾉﾊﾋﾌﾍﾎﾏﾐﾑﾒﾓﾔﾕﾖﾗﾘﾙﾚﾛﾜﾝﾞﾟ"),
		run(0xE0, "αäβεµσρ"), run(0xE8, "√"), run(0xEC, "¢£ñö"), run(0xF2, "θ∞ΩüΣπ"), run(0xFD, "÷"), run(0xFF, "█"),
		// One glyph stands for two characters where they look alike.
		run(0xDF, "°"), run(0xE2, "ß"), run(0xE4, "μ"),
	),
	house.ROMA02: merge(
		run(0x10, "▶◀“”⏫⏬●↲↑↓→←≤≥▲▼"),
		run(0x20, ` !"#$%&'()*+,-./0123456789:;<=>?@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\]^_`),
		run(0x60, "`abcdefghijklmnopqrstuvwxyz{|}~⌂"),
		run(0x80, "БДЖЗИЙЛПУЦЧШЩЪЫЭα♪ΓπΣσ♬τ🔔θΩδ∞♥ε∩"),
		run(0xA0, "‖¡¢£¤¥¦§ƒ©ª«ЮЯ®´"), run(0xB0, "°±²³"), run(0xB5, "µ¶·ω¹º»¼½¾¿"),
		run(0xC0, "ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏÐÑÒÓÔÕÖ×ΦÙÚÛÜÝÞß"),
		run(0xE0, "àáâãäåæçèéêëìíîïðñòóôõö÷øùúûüýþÿ"),
		// Cyrillic letters that look like Latin ones have no code of their own.
		run(0xB5, "μ"), look("АВЕЁКМНОРСТХ", "ABEËKMHOPCTX"),
	),
}

// run gives characters codes in turn, from the first on.
func run(first byte, characters string) font {
	f := make(font)
	code := int(first)
	for _, r := range characters {
		f[r] = byte(code)
		code++
	}
	return f
}

// look gives characters the codes that others have in ISO 8859-1.
func look(characters, like string) font {
	f, others := make(font), []rune(like)
	for i, r := range []rune(characters) {
		f[r] = byte(others[i])
	}
	return f
}

func merge(parts ...font) font {
	f := make(font)
	for _, part := range parts {
		maps.Copy(f, part)
	}
	return f
}

// nearest are characters for others that have none inside them: what Unicode's
// decomposition does not find.
var nearest = map[rune]string{
	'‘': "'", '’': "'", '‚': ",", '“': `"`, '”': `"`, '„': `"`, '«': `"`, '»': `"`, '‹': "'", '›': "'",
	'‐': "-", '‑': "-", '‒': "-", '–': "-", '—': "-", '―': "-", '−': "-", '~': "-", '•': "*", '·': ".",
	'Æ': "AE", 'æ': "ae", 'Œ': "OE", 'œ': "oe", 'Ø': "O", 'ø': "o", 'Ł': "L", 'ł': "l", 'Đ': "D", 'đ': "d",
	'Ð': "D", 'ð': "d", 'Þ': "Th", 'þ': "th", 'ẞ': "SS", 'ß': "ss", 'ı': "i", '€': "EUR", '×': "x", '\\': "/",
	'©': "(c)", '®': "(R)", '§': "S", '¡': "!", '¿': "?", '\t': " ", '⌀': "o",
}

// unknown stands for what a display can't show at all.
const unknown = "?"

// A Change is a character that a display does not have, and what it shows instead,
// which may be nothing.
type Change struct{ From, To string }

// spell returns a text in characters that the font has, and which it changed, each
// once. Line ends stay.
func (f font) spell(text string) (spelled string, changes []Change) {
	var b strings.Builder
	told := make(map[rune]bool)
	for _, r := range norm.NFC.String(strings.ToValidUTF8(text, unknown)) {
		if _, has := f[r]; has || r == '\n' {
			b.WriteRune(r)
			continue
		}
		to := f.near(r)
		b.WriteString(to)
		if !told[r] && !unicode.IsSpace(r) {
			told[r] = true
			changes = append(changes, Change{string(r), to})
		}
	}
	return b.String(), changes
}

// near returns what comes nearest to a character that the font lacks: what it is
// made of (Unicode's compatibility decomposition, UAX #15, without the marks), or
// what the table of others has, or a question mark.
func (f font) near(r rune) string {
	if to, listed := nearest[r]; listed && f.has(to) {
		return to
	}
	base := strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			return -1
		}
		return r
	}, norm.NFKD.String(string(r)))
	switch {
	case unicode.IsSpace(r):
		return " "
	case unicode.Is(unicode.Mn, r) || unicode.Is(unicode.Cf, r):
		return "" // a mark with nothing to stand on, or a sign that is never seen
	case base != "" && f.has(base):
		return base
	}
	// Half of what it is made of may be in the table: a letter with a stroke and an accent.
	if to, listed := nearest[[]rune(base + " ")[0]]; listed && len([]rune(base)) == 1 && f.has(to) {
		return to
	}
	return unknown
}

func (f font) has(text string) bool {
	for _, r := range text {
		if _, has := f[r]; !has {
			return false
		}
	}
	return true
}
