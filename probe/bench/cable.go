package bench

import (
	"fmt"
	"io"
	"sync"

	"loomproof/probe"
	"loomproof/probe/port"
)

// A Cable is a line between an emulated instrument and the program. The
// program may open it, close it and open it again; once unplugged or closed it
// is of no more use.
type Cable struct {
	way way
}

// A way is what a cable is made of.
type way interface {
	device() io.ReadWriteCloser
	open(mode port.Mode) (port.Conn, error)
	name() string
	unplug()
	close() error
}

// NewCable makes a cable from a pseudo-terminal where the system has them
// (Linux, macOS, the BSDs), else in memory.
func NewCable() (*Cable, error) {
	w, err := newWay()
	if err != nil {
		return nil, fmt.Errorf("cable for an emulated instrument: %w", err)
	}
	return &Cable{w}, nil
}

// NewMemoryCable makes a cable in memory, which works under testing/synctest.
func NewMemoryCable() *Cable { return &Cable{newMemoryWay()} }

// Device is the instrument's end. Closing it unplugs the cable.
func (c *Cable) Device() io.ReadWriteCloser { return c.way.device() }

// Open opens the program's end, as [port.Open] does.
func (c *Cable) Open(mode port.Mode) (port.Conn, error) { return c.way.open(mode) }

// Name is the port's name for the program.
func (c *Cable) Name() string { return c.way.name() }

// Unplug pulls the cable: both ends are gone.
func (c *Cable) Unplug() { c.way.unplug() }

// Close unplugs the cable and frees what it holds. It may be called twice.
func (c *Cable) Close() error { return c.way.close() }

// A memoryWay is a cable in memory. Each time the program opens it there is a
// new pipe; what the instrument sends while nobody listens is lost, as on a wire.
type memoryWay struct {
	mu        sync.Mutex
	changed   sync.Cond
	far       port.Conn // the instrument's end of the pipe in use, nil when the program has closed it
	unplugged bool
}

func newMemoryWay() *memoryWay {
	w := &memoryWay{}
	w.changed.L = &w.mu
	return w
}

func (w *memoryWay) name() string { return "memory cable" }

func (w *memoryWay) device() io.ReadWriteCloser { return memoryDevice{w} }

func (w *memoryWay) open(port.Mode) (port.Conn, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.unplugged {
		return nil, fmt.Errorf("port %s: %w: unplugged", w.name(), probe.ErrGone)
	}
	if w.far != nil {
		return nil, fmt.Errorf("port %s: busy, this program holds it; close that first", w.name())
	}
	near, far := port.Pipe()
	w.far = far
	w.changed.Broadcast()
	return memoryEnd{near, w, far}, nil
}

func (w *memoryWay) unplug() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.unplugged = true
	if w.far != nil {
		w.far.Close()
	}
	w.changed.Broadcast()
}

func (w *memoryWay) close() error {
	w.unplug()
	return nil
}

// let forgets a pipe whose program's end was closed.
func (w *memoryWay) let(far port.Conn) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.far == far {
		w.far = nil
	}
}

// memoryEnd is the program's end.
type memoryEnd struct {
	port.Conn
	way *memoryWay
	far port.Conn
}

func (e memoryEnd) Name() string { return e.way.name() }

func (e memoryEnd) Close() error {
	e.way.let(e.far)
	return e.Conn.Close()
}

// memoryDevice is the instrument's end, which outlives the program's.
type memoryDevice struct{ way *memoryWay }

// line waits until the program listens; without wait it returns nil when it doesn't.
func (d memoryDevice) line(wait bool) (port.Conn, error) {
	d.way.mu.Lock()
	defer d.way.mu.Unlock()
	for wait && d.way.far == nil && !d.way.unplugged {
		d.way.changed.Wait()
	}
	if d.way.unplugged {
		return nil, fmt.Errorf("%w: unplugged", probe.ErrGone)
	}
	return d.way.far, nil
}

func (d memoryDevice) Read(p []byte) (int, error) {
	for {
		far, err := d.line(true)
		if err != nil {
			return 0, err
		}
		if n, err := far.Read(p); err == nil {
			return n, nil
		}
		d.way.let(far)
	}
}

func (d memoryDevice) Write(p []byte) (int, error) {
	far, err := d.line(false)
	if err != nil {
		return 0, err
	}
	if far != nil {
		far.Write(p) // lost when the program has just left
	}
	return len(p), nil
}

func (d memoryDevice) Close() error { return d.way.close() }
