package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// The server makes no outbound connection, ever. So nothing that serve runs
// may call what opens one: net and net/http have no others than these, and
// the few libraries that could are not imported there.
//
// (common practice, no source: a list of names is no proof, but it makes a
// connection that slips in an open decision)
func TestServerDialsNowhere(t *testing.T) {
	forbidden := map[string]bool{
		"net.Dial": true, "net.DialTimeout": true, "net.Dialer": true, "net.DialTCP": true, "net.DialUDP": true,
		"net.DialUnix":   true,
		"net.LookupHost": true, "net.LookupIP": true, "net.LookupAddr": true, "net.Resolver": true,
		"net.DefaultResolver": true,
		"http.Get":            true, "http.Head": true, "http.Post": true, "http.PostForm": true, "http.Client": true,
		"http.DefaultClient": true,
		"http.Transport":     true, "http.DefaultTransport": true, "tls.Dial": true, "tls.Dialer": true,
		"websocket.Dialer": true, "websocket.DefaultDialer": true, "exec.Command": true, "exec.CommandContext": true,
	}
	files := []string{"serve.go", "server.go", "broker.go", "main.go"}
	for _, dir := range []string{"web", "store", "pipeline"} {
		err := filepath.WalkDir(filepath.Join("..", "..", dir), func(path string, d fs.DirEntry, err error) error {
			if err == nil && strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go") {
				files = append(files, path)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	calls := 0
	for _, file := range files {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok {
					calls++
					if forbidden[x.Name+"."+s.Sel.Name] {
						t.Errorf("%s uses %s.%s", file, x.Name, s.Sel.Name)
					}
				}
			}
			return true
		})
	}
	if len(files) < 20 || calls < 500 {
		t.Fatalf("only %d files and %d names were looked at", len(files), calls)
	}
}
