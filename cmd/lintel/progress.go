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
	live  bool   // whether w is a terminal
	key   string // of the message
	total int

	mu   sync.Mutex
	done int
}

func (g *globals) newProgress(key string, total int) *progress {
	p := &progress{w: g.stderr, key: key, total: total}
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
		fmt.Fprint(p.w, "\r\x1b[K"+p.says())
	} else if 10*p.done/p.total > 10*(p.done-1)/p.total {
		fmt.Fprintln(p.w, p.says())
	}
}

func (p *progress) says() string { return say.Text(p.key, "Done", p.done, "Of", p.total) }

// end clears a terminal's line, for whatever is printed next.
func (p *progress) end() {
	if p.live {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}
