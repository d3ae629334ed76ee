package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A mutant is one change of a file.
type mutant struct {
	file     string
	at       int // in bytes
	old, new string
	line     int
	text     string // of the line, as it was
	from, to int    // lines of its function; 0 outside of functions
	name     string // of the constant or variable of the package that it is in; "" in functions
}

func (m mutant) String() string {
	return fmt.Sprintf("- %s:%d, `%s` for `%s`: `%s`", m.file, m.line, m.new, m.old, m.text)
}

// otherOps are what stands in the place of an operator, and otherWords in that of one of SQL.
var (
	otherOps = map[token.Token]string{token.LSS: "<=", token.LEQ: "<", token.GTR: ">=", token.GEQ: ">",
		token.EQL: "!=", token.NEQ: "==", token.LAND: "||", token.LOR: "&&",
		token.ADD: "-", token.SUB: "+", token.MUL: "/", token.QUO: "*"}
	otherWords = map[string]string{"<": "<=", "<=": "<", ">": ">=", ">=": ">", "<>": "=", "AND": "OR", "OR": "AND",
		"NOT EXISTS": "EXISTS", "IS NULL": "IS NOT NULL", "IS NOT NULL": "IS NULL"}
	sql     = regexp.MustCompile(`\b(SELECT|INSERT|UPDATE|DELETE|WHERE|EXISTS)\b|[a-z_] (=|<|<=|>|>=) \?`)
	sqlWord = regexp.MustCompile(`<=|>=|<>|[<>]|\b(?:AND|OR|NOT EXISTS|IS NULL|IS NOT NULL|SELECT 1)\b|` +
		`\?[0-9]+|\b[0-9]+\b`)
)

// mutantsIn returns all changes of a package's files, or of those that are named with a comma between. A
// package's constant that only others use is their tests' matter.
func mutantsIn(path, files string) (all []mutant, err error) {
	var code strings.Builder
	sources, err := filepath.Glob(filepath.Join(path, "*.go"))
	for _, file := range sources {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		src, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		code.Write(src)
		if files != "" && !slices.Contains(strings.Split(files, ","), filepath.Base(file)) {
			continue
		}
		found, err := mutantsOf(file, src)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	return slices.DeleteFunc(all, func(m mutant) bool {
		used := regexp.MustCompile(`(?m)^([^/]*[^/"\w.])?` + m.name + `\b`)
		return m.name != "" && len(used.FindAllStringIndex(code.String(), 2)) < 2
	}), err
}

// mutantsOf returns all changes of a file. Comparisons with nil stay as they are, since every test notices
// those, and so do a package's tables, and SELECT 1 where it only asks whether there is something.
func mutantsOf(file string, src []byte) (all []mutant, err error) {
	set := token.NewFileSet()
	parsed, err := parser.ParseFile(set, file, src, 0)
	if err != nil {
		return nil, err
	}
	lines := strings.Split(string(src), "\n")
	for _, decl := range parsed.Decls {
		from, to, name := 0, 0, ""
		if _, ok := decl.(*ast.FuncDecl); ok {
			from, to = set.Position(decl.Pos()).Line, set.Position(decl.End()).Line
		}
		add := func(pos token.Pos, old, new string) {
			p := set.Position(pos)
			all = append(all, mutant{file, p.Offset, old, new, p.Line, strings.TrimSpace(lines[p.Line-1]), from, to, name})
		}
		ast.Inspect(decl, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ImportSpec, *ast.TypeSpec, *ast.ArrayType:
				return false
			case *ast.ValueSpec:
				if from == 0 {
					name = n.Names[0].Name
				}
			case *ast.CompositeLit:
				return from > 0
			case *ast.BinaryExpr:
				if other, ok := otherOps[n.Op]; ok && !isNil(n.X) && !isNil(n.Y) {
					add(n.OpPos, n.Op.String(), other)
				}
			case *ast.UnaryExpr:
				if n.Op == token.NOT {
					add(n.OpPos, "!", "")
				}
			case *ast.BasicLit:
				changeLiteral(n, add)
			}
			return true
		})
	}
	return all, nil
}

func isNil(e ast.Expr) bool {
	id, ok := e.(*ast.Ident)
	return ok && id.Name == "nil"
}

func changeLiteral(lit *ast.BasicLit, add func(pos token.Pos, old, new string)) {
	number := func(pos token.Pos, text string) {
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil || strconv.FormatUint(n, 10) != text {
			return // not decimal
		}
		add(pos, text, strconv.FormatUint(n+1, 10))
		if n > 0 {
			add(pos, text, strconv.FormatUint(n-1, 10))
		}
	}
	if lit.Kind == token.INT {
		number(lit.Pos(), lit.Value)
	}
	if lit.Kind != token.STRING || !sql.MatchString(lit.Value) {
		return
	}
	for _, at := range sqlWord.FindAllStringIndex(lit.Value, -1) {
		pos, word := lit.Pos()+token.Pos(at[0]), lit.Value[at[0]:at[1]]
		if other, ok := otherWords[word]; ok {
			add(pos, word, other)
		} else {
			number(pos, word)
		}
	}
}
