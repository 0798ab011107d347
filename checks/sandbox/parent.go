package sandbox

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"

	"go.starlark.net/starlark"
)

// inChild in the environment makes the program be a child that runs a script.
const inChild = "LOOMPROOF_SCRIPT_CHILD"

// A start is the first message to the child.
type start struct {
	Name      string           `json:"name"`
	Text      string           `json:"text"`
	Values    map[string]value `json:"values"`
	Functions []string         `json:"functions"`
}

// A request is a message of the child: a call of a word, or the script's end.
type request struct {
	Word  string     `json:"word,omitempty"`
	Args  []value    `json:"args,omitempty"`
	Named [][2]value `json:"named,omitempty"`
	At    string     `json:"at,omitempty"`
	End   bool       `json:"end,omitempty"`
	Error string     `json:"error,omitempty"` // how it ended, if not well
}

// An answer is what a word brought.
type answer struct {
	Value value  `json:"value"`
	Error string `json:"error,omitempty"`
}

// Apart runs a script in a child process. The words are called in the goroutine
// of the caller. What the context's end stops returns the context's cause.
func Apart(ctx context.Context, p Program) error {
	first := start{Name: p.Name, Text: string(p.Text), Values: map[string]value{}}
	for name, v := range p.Words {
		if _, ok := v.(*starlark.Builtin); ok {
			first.Functions = append(first.Functions, name)
			continue
		}
		var err error
		if first.Values[name], err = encode(v, 0); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	c, err := spawn()
	if err != nil {
		return fmt.Errorf("the process for the script cannot be started: %w", err)
	}
	defer c.end()
	if p.silence == 0 {
		p.silence = Silence
	}
	s := session{Program: p, child: c}
	if err := s.send(first); err != nil {
		return s.died(err)
	}
	return s.serve(ctx)
}

// A child is the process that runs the script.
type child struct {
	cmd   *exec.Cmd
	in    io.WriteCloser
	lines chan []byte // closed when there are no more
	said  bytes.Buffer
}

func spawn() (*child, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	c := &child{cmd: exec.Command(self), lines: make(chan []byte)}
	c.cmd.Env = append(os.Environ(), inChild+"=1", "GOTRACEBACK=none")
	c.cmd.Stderr = &c.said
	if c.in, err = c.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.cmd.Start(); err != nil {
		return nil, err
	}
	spawned(c.cmd.Process.Pid)
	go c.read(out)
	return c, nil
}

var spawned = func(pid int) {} // tests learn from it which process to kill

func (c *child) read(out io.Reader) {
	defer close(c.lines)
	s := bufio.NewScanner(out)
	s.Buffer(nil, message+1)
	for s.Scan() {
		c.lines <- bytes.Clone(s.Bytes())
	}
}

// end ends the process, whatever it does, and waits for it.
func (c *child) end() {
	_ = c.cmd.Process.Kill()
	for range c.lines { // the reader must come to its end first
	}
	_ = c.cmd.Wait()
}

// A session is one run of a script in a child.
type session struct {
	Program
	child  *child
	at     string // where the latest call stood
	failed error  // of the word that ended the script
}

func (s *session) send(m any) error {
	b, err := line(m)
	if err != nil {
		return err
	}
	_, err = s.child.in.Write(b)
	return err
}

// serve answers calls until the script ends.
func (s *session) serve(ctx context.Context) error {
	patience := time.NewTimer(s.silence)
	defer patience.Stop()
	for {
		patience.Reset(s.silence)
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-patience.C:
			return s.after(fmt.Errorf("it reckons for %s and asks for nothing; does a loop never end?", s.silence))
		case text, ok := <-s.child.lines:
			if !ok {
				return s.died(io.EOF)
			}
			var r request
			if err := json.Unmarshal(text, &r); err != nil {
				return s.after(fmt.Errorf("its process sent what is no call: %w", err))
			}
			if r.End {
				return s.ended(r)
			}
			if err := s.send(s.call(r)); err != nil {
				return s.died(err)
			}
		}
	}
}

// call does what the script asks.
func (s *session) call(r request) answer {
	s.at = r.At
	out, err := s.do(r)
	if err == nil {
		var v value
		if v, err = encode(out, 0); err == nil {
			return answer{Value: v}
		}
	}
	s.failed = err
	return answer{Error: err.Error()}
}

func (s *session) do(r request) (starlark.Value, error) {
	word, ok := s.Words[r.Word].(*starlark.Builtin)
	if !ok {
		return nil, fmt.Errorf("there is no word %q", r.Word)
	}
	args, err := decodeAll(r.Args)
	if err != nil {
		return nil, err
	}
	var named []starlark.Tuple
	for _, pair := range r.Named {
		kv, err := decodeAll(pair[:])
		if err != nil {
			return nil, err
		}
		named = append(named, kv)
	}
	t := &starlark.Thread{Name: s.Name}
	t.SetLocal(placeKey, r.At)
	out, err := starlark.Call(t, word, args, named)
	var eval *starlark.EvalError
	if errors.As(err, &eval) && eval.Unwrap() != nil {
		err = eval.Unwrap()
	}
	return out, err
}

// ended is how the script ended by its own account.
func (s *session) ended(r request) error {
	switch {
	case s.failed != nil:
		return &Error{At: r.At, Err: s.failed}
	case r.Error != "":
		return &Error{At: r.At, Err: errors.New(r.Error)}
	}
	return nil
}

// died is how the child ended without a word.
func (s *session) died(err error) error {
	if s.failed != nil {
		return &Error{At: s.at, Err: s.failed}
	}
	s.child.end()
	said := s.child.said.String()
	first, _, _ := strings.Cut(strings.TrimSpace(said), "\n")
	// 2 is how the runtime ends when it cannot go on: it has no memory, which it
	// tells in several ways.
	if s.child.cmd.ProcessState.ExitCode() == 2 || strings.Contains(said, "failed to allocate") {
		return s.after(fmt.Errorf("it needs more than %d MB of memory (its process ended: %s)", Memory>>20, first))
	}
	return s.after(fmt.Errorf("its process ended by itself (%v, %s) %s", err, s.child.cmd.ProcessState, first))
}

// after is an error whose place is only known by the latest call.
func (s *session) after(err error) error {
	if s.at == "" {
		return &Error{Err: fmt.Errorf("%s: %w (before it asked for anything)", s.Name, err)}
	}
	return &Error{At: s.at, Err: fmt.Errorf("%w (some time after what it asked for here)", err)}
}
