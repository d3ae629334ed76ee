package models

import (
	"fmt"
	"io"
	"os"
)

// progress tells a person how far a step is: in place on a terminal, elsewhere in a line every tenth of the way.
type progress struct {
	w    io.Writer
	live bool   // whether w is a terminal
	step string // the step last told of
	told int64  // how many hundredths of it, or tenths elsewhere than on a terminal
	open bool   // whether the terminal's line is still being rewritten
}

func (p *progress) to(w io.Writer) {
	if w == nil {
		w = io.Discard
	}
	p.w = w
	if file, ok := w.(*os.File); ok {
		info, err := file.Stat()
		p.live = err == nil && info.Mode()&os.ModeCharDevice != 0
	}
}

// at tells that n of total are done, if that is news.
func (p *progress) at(step string, n, total int64) {
	if total <= 0 {
		return
	}
	parts := int64(10)
	if p.live {
		parts = 100
	}
	part := n * parts / total
	if step == p.step && part <= p.told { // less than told is a retry, from where the last try ended or before
		return
	}
	p.step, p.told = step, part
	text := fmt.Sprintf("%s: %d %%", step, n*100/total)
	if total > 100 {
		text += " of " + megabytes(total)
	}
	if p.live {
		fmt.Fprintf(p.w, "\r\033[K%s", text)
		p.open = true
		return
	}
	fmt.Fprintln(p.w, text)
}

// done tells that the step is finished.
func (p *progress) done(step string) {
	p.step = ""
	p.say("%s: done", step)
}

func (p *progress) say(format string, args ...any) {
	if p.open {
		fmt.Fprint(p.w, "\r\033[K")
		p.open = false
	}
	fmt.Fprintf(p.w, format+"\n", args...)
}

// megabytes is a size as apt gives it: millions of bytes.
func megabytes(n int64) string {
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
