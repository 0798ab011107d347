package bench

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"loomproof/probe"
)

// Faults are what real instruments and lines do wrong. The zero value does
// nothing wrong.
type Faults struct {
	Echo    bool          // sends back what it receives
	Silent  bool          // takes everything and answers nothing
	Late    time.Duration // each answer comes this much later
	Leading string        // sent once, before the next answer
	Instead string        // sent in place of each answer
	Twice   bool          // sends each answer twice
	Drop    float64       // chance that a character of an answer is lost on the line
	Alter   float64       // chance that a character of an answer arrives as another digit
	End     string        // ends each answer in place of CR LF
}

// errorQueueSize is how many errors wait to be read; a queue of 10 to 20 is
// common practice.
const errorQueueSize = 20

// An instrument is what all emulated instruments have in common: the parser,
// the error queue, the status commands and the faults.
type instrument struct {
	identity string
	commands []command
	reset    func()

	mu     sync.Mutex // over everything below and the state of the kind of instrument
	queue  []code
	enable int // *ESE
	events int // *ESR?
	faults Faults
	line   *rand.Rand // what the line does to characters

	unanswered atomic.Int64 // queries that the Silent fault swallowed
}

func newInstrument(identity string, seed uint64, reset func()) *instrument {
	i := &instrument{identity: identity, reset: reset, line: rand.New(rand.NewPCG(seed, 0x11e))}
	i.commands = []command{
		define("*IDN?", func([]string) (string, code) { return i.identity, 0 }),
		define("*RST", func([]string) (string, code) { i.reset(); return "", 0 }),
		define("*CLS", func([]string) (string, code) { i.queue, i.events = nil, 0; return "", 0 }),
		define("*OPC", func([]string) (string, code) { i.events |= 1; return "", 0 }),
		define("*OPC?", func([]string) (string, code) { return "1", 0 }),
		define("*WAI", func([]string) (string, code) { return "", 0 }),
		define("*TST?", func([]string) (string, code) { return "0", 0 }),
		define("*ESE", i.setEnable),
		define("*ESE?", func([]string) (string, code) { return fmt.Sprint(i.enable), 0 }),
		define("*ESR?", func([]string) (string, code) { e := i.events; i.events = 0; return fmt.Sprint(e), 0 }),
		define("SYSTem:ERRor[:NEXT]?", func([]string) (string, code) { return i.nextError(), 0 }),
		define("SYSTem:VERSion?", func([]string) (string, code) { return "1999.0", 0 }),
		define("SYSTem:REMote", func([]string) (string, code) { return "", 0 }),
		define("SYSTem:LOCal", func([]string) (string, code) { return "", 0 }),
	}
	return i
}

func (i *instrument) setEnable(arguments []string) (string, code) {
	text, err := one(arguments)
	if err != 0 {
		return "", err
	}
	value, err := number(text, 0, 255, 0)
	if err == 0 {
		i.enable = int(value)
	}
	return "", err
}

// SetFaults puts faults in, or with the zero value takes them out.
func (i *instrument) SetFaults(f Faults) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.faults = f
}

// Serve answers on the instrument's end of a line until the line closes, and
// then returns nil.
func (i *instrument) Serve(rw io.ReadWriteCloser) error {
	chunk, message := make([]byte, 256), []byte(nil)
	for {
		n, err := rw.Read(chunk)
		if err != nil {
			return unlessClosed(err)
		}
		if i.currentFaults().Echo {
			if _, err := rw.Write(chunk[:n]); err != nil {
				return unlessClosed(err)
			}
		}
		message = append(message, chunk[:n]...)
		for {
			line, rest, ok := bytes.Cut(message, []byte("\n"))
			if !ok {
				break
			}
			message = rest
			if err := i.reply(rw, i.perform(string(bytes.TrimRight(line, "\r")))); err != nil {
				return unlessClosed(err)
			}
		}
	}
}

func unlessClosed(err error) error {
	for _, closed := range []error{io.EOF, os.ErrClosed, probe.ErrGone, syscall.EIO} {
		if errors.Is(err, closed) {
			return nil
		}
	}
	return err
}

func (i *instrument) currentFaults() Faults {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.faults
}

// perform runs one message and returns the answers, joined as IEEE 488.2 joins them.
func (i *instrument) perform(message string) string {
	i.mu.Lock()
	defer i.mu.Unlock()
	var answers, path []string
	for part := range strings.SplitSeq(message, ";") {
		if strings.TrimSpace(part) == "" {
			continue
		}
		u, err := parseUnit(part, path)
		if err == 0 {
			var answer string
			answer, err = i.performUnit(u)
			if u.query && err == 0 {
				answers = append(answers, answer)
			}
		}
		if err != 0 {
			i.report(err)
		}
		if err.isCommandError() {
			break
		}
		if !u.common {
			path = u.header[:len(u.header)-1]
		}
	}
	return strings.Join(answers, ";")
}

func (i *instrument) performUnit(u unit) (string, code) {
	for _, c := range i.commands {
		if c.query == u.query && matches(c.words, u.header) {
			return c.run(u.arguments)
		}
	}
	return "", undefinedHeader
}

// report puts an error into the queue; a full queue has its last entry
// replaced (SCPI-1999, from memory).
func (i *instrument) report(err code) {
	if len(i.queue) == errorQueueSize {
		i.queue[errorQueueSize-1] = queueOverflow
		return
	}
	i.queue = append(i.queue, err)
}

func (i *instrument) nextError() string {
	next := code(0)
	if len(i.queue) > 0 {
		next, i.queue = i.queue[0], i.queue[1:]
	}
	return fmt.Sprintf("%+d,%q", int(next), errorTexts[next])
}

// reply sends an answer, as the faults let it arrive.
func (i *instrument) reply(w io.Writer, answer string) error {
	if answer == "" {
		return nil
	}
	f := i.currentFaults()
	if f.Late > 0 {
		wait(f.Late)
	}
	if f.Silent {
		i.unanswered.Add(1)
		return nil
	}
	if f.Instead != "" {
		answer = f.Instead
	}
	end := f.End
	if end == "" {
		end = "\r\n"
	}
	answer += end
	if f.Twice {
		answer += answer
	}
	_, err := w.Write(append(i.leading(), i.spoil(answer, f)...))
	return err
}

// leading is what comes once before an answer.
func (i *instrument) leading() []byte {
	i.mu.Lock()
	defer i.mu.Unlock()
	text := i.faults.Leading
	i.faults.Leading = ""
	return []byte(text)
}

// spoil does to an answer what a bad line does.
func (i *instrument) spoil(answer string, f Faults) []byte {
	i.mu.Lock()
	defer i.mu.Unlock()
	arrives := make([]byte, 0, len(answer))
	for _, c := range []byte(answer) {
		if f.Drop > 0 && i.line.Float64() < f.Drop {
			continue
		}
		if f.Alter > 0 && i.line.Float64() < f.Alter {
			c = '0' + byte(i.line.IntN(10))
		}
		arrives = append(arrives, c)
	}
	return arrives
}

// wait is the instrument's own time: a conversion, a slow answer.
func wait(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	<-t.C
}
