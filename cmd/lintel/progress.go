package main

import (
	"fmt"
	"io"
	"os"
	"sync"

	"github.com/mattn/go-isatty"
)

// A progress tells on stderr how far a long run is: in place on a terminal,
// elsewhere in a line every tenth of the way. Goroutines may share it.
type progress struct {
	w     io.Writer
	live  bool // whether w is a terminal
	what  string
	total int

	mu   sync.Mutex
	done int
}

func (g *globals) newProgress(what string, total int) *progress {
	p := &progress{w: g.stderr, what: what, total: total}
	if f, ok := g.stderr.(*os.File); ok {
		p.live = isatty.IsTerminal(f.Fd())
	}
	return p
}

// step tells that one more is done.
func (p *progress) step() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	if p.live {
		fmt.Fprintf(p.w, "\r\x1b[K%s: %d of %d", p.what, p.done, p.total)
	} else if 10*p.done/p.total > 10*(p.done-1)/p.total {
		fmt.Fprintf(p.w, "%s: %d of %d\n", p.what, p.done, p.total)
	}
}

// end clears a terminal's line, for whatever is printed next.
func (p *progress) end() {
	if p.live {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
