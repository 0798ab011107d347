package sandbox

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"runtime/metrics"
	"syscall"
	"time"

	"go.starlark.net/starlark"
)

// The child ends a script that keeps softMemory; the collector works harder from
// before that on. lookEvery is how often it looks.
const (
	softMemory = Memory * 3 / 4
	lookEvery  = 5 * time.Millisecond
)

// Serve must be the first thing that main does. In a child process it runs the
// script and does not return; otherwise it does nothing.
func Serve() {
	if os.Getenv(inChild) == "" {
		return
	}
	// The parent decides when to end: a Ctrl-C in the terminal reaches both.
	signal.Ignore(os.Interrupt, syscall.SIGTERM)
	hold()
	if err := serve(os.Stdin, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// A caller is the child's end of the pipe.
type caller struct {
	in  *bufio.Scanner
	out io.Writer
}

func serve(in io.Reader, out io.Writer) error {
	c := caller{in: bufio.NewScanner(in), out: out}
	c.in.Buffer(nil, message+1)
	var first start
	if err := c.receive(&first); err != nil {
		return err
	}
	p := Program{Name: first.Name, Text: []byte(first.Text), Words: starlark.StringDict{}}
	for name, v := range first.Values {
		var err error
		if p.Words[name], err = decode(v); err != nil {
			return err
		}
	}
	for _, name := range first.Functions {
		p.Words[name] = starlark.NewBuiltin(name, c.call)
	}
	thread := &starlark.Thread{Name: p.Name}
	go watchHeap(thread)
	end := request{End: true}
	var e *Error
	if err := placed(p.run(thread), nil); errors.As(err, &e) {
		end.At, end.Error = e.At, e.Err.Error()
	}
	return c.send(end)
}

func (c caller) send(m any) error {
	b, err := line(m)
	if err != nil {
		return err
	}
	_, err = c.out.Write(b)
	return err
}

func (c caller) receive(m any) error {
	if !c.in.Scan() {
		return errors.Join(io.ErrUnexpectedEOF, c.in.Err())
	}
	return json.Unmarshal(c.in.Bytes(), m)
}

// call has the parent do a word.
func (c caller) call(t *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
	r := request{Word: b.Name(), At: where(t.CallStack())}
	var err error
	if r.Args, err = encodeAll(args, 0); err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	for _, kv := range kwargs {
		pair, err := encodeAll(kv, 0)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", b.Name(), err)
		}
		r.Named = append(r.Named, [2]value(pair))
	}
	if err := c.send(r); err != nil {
		return nil, fmt.Errorf("%s: %w", b.Name(), err)
	}
	var a answer
	if err := c.receive(&a); err != nil {
		os.Exit(1) // the parent has gone
	}
	if a.Error != "" {
		return nil, errors.New(a.Error)
	}
	return decode(a.Value)
}

// watchHeap ends a script that keeps too much. Between two looks a script can
// take more; where the kernel holds the process, it ends there.
func watchHeap(thread *starlark.Thread) {
	had := heap()
	debug.SetMemoryLimit(int64(had) + softMemory)
	for range time.Tick(lookEvery) {
		if heap() > had+softMemory {
			thread.Cancel(fmt.Sprintf("it needs more than %d MB of memory", softMemory>>20))
			return
		}
	}
}

func heap() uint64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}
