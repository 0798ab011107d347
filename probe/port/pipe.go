package port

import (
	"fmt"
	"sync"
	"time"

	"loomproof/probe"
)

// pipeSize is how many bytes wait in each direction before Write waits, about
// what a system keeps for a serial port.
const pipeSize = 4096

// Pipe makes two ends in memory: what one writes the other reads. When either
// is closed both are gone, and bytes on the way are lost, as when a cable is
// pulled.
func Pipe() (a, b Conn) {
	p := &pipe{}
	p.changed.L = &p.mu
	return &end{pipe: p, side: 0}, &end{pipe: p, side: 1}
}

// A pipe is both directions, under one lock.
type pipe struct {
	mu      sync.Mutex
	changed sync.Cond
	toRead  [2][]byte // what each side has to read
	gone    [2]error  // what each side says once the pipe is closed
}

type end struct {
	pipe *pipe
	side int
}

func (e *end) Name() string { return "pipe " + string(rune('a'+e.side)) }

func (e *end) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	e.pipe.mu.Lock()
	defer e.pipe.mu.Unlock()
	for {
		if err := e.pipe.gone[e.side]; err != nil {
			return 0, err
		}
		if waiting := e.pipe.toRead[e.side]; len(waiting) > 0 {
			n := copy(p, waiting)
			e.pipe.toRead[e.side] = append(waiting[:0], waiting[n:]...)
			e.pipe.changed.Broadcast()
			return n, nil
		}
		e.pipe.changed.Wait()
	}
}

func (e *end) Write(p []byte) (int, error) {
	e.pipe.mu.Lock()
	defer e.pipe.mu.Unlock()
	peer, written := 1-e.side, 0
	late := false
	var deadline *time.Timer // set when there is something to wait for
	for {
		if err := e.pipe.gone[e.side]; err != nil {
			return written, err
		}
		room := min(pipeSize-len(e.pipe.toRead[peer]), len(p)-written)
		e.pipe.toRead[peer] = append(e.pipe.toRead[peer], p[written:written+room]...)
		written += room
		if room > 0 {
			e.pipe.changed.Broadcast()
		}
		if written == len(p) {
			return written, nil
		}
		if late {
			e.close(fmt.Errorf("port %s: %w: it took no bytes for %v, so it was given up", e.Name(), probe.ErrGone, writeDeadline))
			return written, e.pipe.gone[e.side]
		}
		if deadline == nil {
			deadline = time.AfterFunc(writeDeadline, func() {
				e.pipe.mu.Lock()
				defer e.pipe.mu.Unlock()
				late = true
				e.pipe.changed.Broadcast()
			})
			defer deadline.Stop()
		}
		e.pipe.changed.Wait()
	}
}

func (e *end) Close() error {
	e.pipe.mu.Lock()
	defer e.pipe.mu.Unlock()
	e.close(fmt.Errorf("port %s: %w", e.Name(), ErrClosed))
	return nil
}

// close ends the pipe, with the lock held: this side says cause, the other
// that it was unplugged.
func (e *end) close(cause error) {
	if e.pipe.gone[e.side] != nil {
		return
	}
	e.pipe.gone[e.side] = cause
	if other := 1 - e.side; e.pipe.gone[other] == nil {
		e.pipe.gone[other] = fmt.Errorf("port pipe %c: %w: unplugged", 'a'+other, probe.ErrGone)
	}
	e.pipe.changed.Broadcast()
}
