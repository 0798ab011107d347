package sandbox

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"
)

// The bounds. Common practice; no published source: the longest procedure takes
// under 100 000 steps and 2 MB.
const (
	Steps   = 5_000_000        // of the interpreter, in one run
	Memory  = 256 << 20        // bytes, beyond what the child has at its start
	Silence = 20 * time.Second // without a call
	message = 4 << 20          // bytes in one call or answer
	depth   = 50               // of lists in lists in one call or answer
	length  = 100_000          // of a list in one call or answer
)

// A Program is a script and what it can use.
type Program struct {
	Name  string              // of the file, for errors: loaded.star
	Text  []byte              // of the script
	Words starlark.StringDict // values, and functions made with [starlark.NewBuiltin]

	silence time.Duration // 0 is Silence; tests have less patience
}

// An Error is a script that did not run to its end.
type Error struct {
	At  string // file:line:column; "" if it is not known
	Err error  // of the word that failed, or what is wrong in the script
}

func (e *Error) Error() string {
	if e.At == "" {
		return e.Err.Error()
	}
	return e.At + ": " + e.Err.Error()
}

func (e *Error) Unwrap() error { return e.Err }

// Compile finds the mistakes that can be seen without running the script:
// syntax, and names that are not there.
func (p Program) Compile() (*starlark.Program, error) {
	_, prog, err := starlark.SourceProgramOptions(&syntax.FileOptions{While: true, TopLevelControl: true}, p.Name, p.Text, p.Words.Has)
	return prog, placed(err, nil)
}

// Here runs a script in this process. Steps are bounded, memory is not.
func Here(ctx context.Context, p Program) error {
	var failed error // of a word
	words := starlark.StringDict{}
	for name, v := range p.Words {
		words[name] = v
		if b, ok := v.(*starlark.Builtin); ok {
			words[name] = starlark.NewBuiltin(name, func(t *starlark.Thread, _ *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
				out, err := starlark.Call(t, b, args, kwargs)
				failed = errors.Join(failed, err)
				return out, err
			})
		}
	}
	p.Words = words
	thread := &starlark.Thread{Name: p.Name}
	stop := context.AfterFunc(ctx, func() { thread.Cancel("stopped") })
	defer stop()
	err := p.run(thread)
	if err != nil && ctx.Err() != nil && failed == nil {
		return context.Cause(ctx)
	}
	return placed(err, failed)
}

// run runs a script on a thread.
func (p Program) run(thread *starlark.Thread) error {
	prog, err := p.Compile()
	if err != nil {
		return err
	}
	thread.Print = func(*starlark.Thread, string) {} // there is nobody to read it
	thread.SetMaxExecutionSteps(Steps)
	thread.OnMaxSteps = func(t *starlark.Thread) {
		t.Cancel(fmt.Sprintf("it has taken %d steps; does a loop never end?", Steps))
	}
	_, err = prog.Init(thread, p.Words)
	return err
}

// placed gives an error its place in the script; cause stands for the text if a
// word has failed.
func placed(err, cause error) error {
	if err == nil {
		return nil
	}
	var done *Error
	if errors.As(err, &done) {
		return done
	}
	e := &Error{Err: err}
	var eval *starlark.EvalError
	var syn syntax.Error
	if errors.As(err, &syn) {
		e.At, e.Err = syn.Pos.String(), errors.New(syn.Msg)
	}
	if list := unknown(err); list != nil {
		return list
	}
	if errors.As(err, &eval) {
		e.At, e.Err = where(eval.CallStack), errors.New(strings.TrimPrefix(eval.Msg, "Starlark computation cancelled: "))
	}
	if cause != nil {
		e.Err = cause
	}
	return e
}

// where is the innermost place of a stack that is in the script.
func where(stack starlark.CallStack) string {
	for i := len(stack) - 1; i >= 0; i-- {
		if pos := stack[i].Pos; pos.Line > 0 {
			return pos.String()
		}
	}
	return ""
}

const placeKey = "place"

// Place is where in the script a word was called, file:line:column.
func Place(t *starlark.Thread) string {
	if at, ok := t.Local(placeKey).(string); ok {
		return at
	}
	return where(t.CallStack())
}
