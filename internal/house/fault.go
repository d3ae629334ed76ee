package house

import "fmt"

// A Fault is what is wrong with something that was to be kept: the error it is,
// a code, and what is told of it, names and values in turn. Package words says it.
type Fault struct {
	Of   error
	Code string
	Told []any
}

func fault(of error, code string, told ...any) error { return Fault{of, code, told} }

func (f Fault) Error() string {
	if len(f.Told) == 0 {
		return fmt.Sprintf("%v: %s", f.Of, f.Code)
	}
	return fmt.Sprintf("%v: %s %v", f.Of, f.Code, f.Told)
}

// Unwrap returns the error it is.
func (f Fault) Unwrap() error { return f.Of }

// A FaultIn is a fault with one of several things: a kind, a mask, a quiet time, a
// text or a rule of messages.
type FaultIn struct {
	What  string // kind, mask, quiet, text or message
	Which any    // a [Kind], a [MessageRuleName], or a number from 1
	Err   error
}

func (f FaultIn) Error() string { return fmt.Sprintf("%s %v: %v", f.What, f.Which, f.Err) }

// Unwrap returns the fault.
func (f FaultIn) Unwrap() error { return f.Err }
