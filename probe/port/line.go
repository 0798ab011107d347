package port

import (
	"fmt"
	"io"
	"sync"
	"time"

	"loomproof/probe"
)

const (
	// writeDeadline is how long a Write may wait for the other side.
	writeDeadline = 2 * time.Second

	// writerGrace is how long closing waits for a write to finish. A write
	// that takes longer sits in the kernel, where closing the file cannot
	// send it to another one.
	writerGrace = 100 * time.Millisecond
)

// A device is what line needs of the serial library. Its Read returns 0, nil
// when nothing came for a while. Its Close does not free a waiting Write.
type device interface{ io.ReadWriteCloser }

// A line is an open port.
type line struct {
	name string
	dev  device
	lock io.Closer

	reading sync.Mutex // held while the device's Read is in use

	writing  sync.Mutex // held by Write
	requests chan []byte
	results  chan result
	idle     chan struct{} // closed when the writer has ended

	once   sync.Once
	closed chan struct{} // closed when the port is given up, after cause is set
	cause  error
}

type result struct {
	n   int
	err error
}

func newLine(name string, dev device, lock io.Closer) *line {
	l := &line{
		name: name, dev: dev, lock: lock,
		requests: make(chan []byte), results: make(chan result, 1),
		idle: make(chan struct{}), closed: make(chan struct{}),
	}
	go l.writer()
	return l
}

func (l *line) Name() string { return l.name }

func (l *line) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	n, err := l.readSome(p)
	if err != nil {
		l.giveUp(l.unplugged(err))
		return 0, l.cause
	}
	if n == 0 {
		return 0, l.cause
	}
	return n, nil
}

// readSome waits for bytes, an error of the device, or the end of the line (0, nil).
func (l *line) readSome(p []byte) (int, error) {
	l.reading.Lock()
	defer l.reading.Unlock()
	for {
		select {
		case <-l.closed:
			return 0, nil
		default:
		}
		if n, err := l.dev.Read(p); n > 0 || err != nil {
			return n, err
		}
	}
}

func (l *line) Write(p []byte) (int, error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	deadline := time.NewTimer(writeDeadline)
	defer deadline.Stop()

	// A copy, because a stuck write keeps it after Write has returned.
	select {
	case l.requests <- append([]byte(nil), p...):
	case <-l.closed:
		return 0, l.cause
	}
	select {
	case r := <-l.results:
		if r.err != nil {
			l.giveUp(l.unplugged(r.err))
			return r.n, l.cause
		}
		return r.n, nil
	case <-deadline.C:
		l.giveUp(fmt.Errorf("port %s: %w: it took no bytes for %v, so it was given up; "+
			"check that the instrument is on and reads, then open it again", l.name, probe.ErrGone, writeDeadline))
	case <-l.closed:
	}
	return 0, l.cause
}

// writer is the one goroutine that writes to the device, so that a write that
// never returns holds nobody else up.
func (l *line) writer() {
	defer close(l.idle)
	for {
		select {
		case p := <-l.requests:
			l.results <- l.writeAll(p)
		case <-l.closed:
			return
		}
	}
}

func (l *line) writeAll(p []byte) (r result) {
	for r.n < len(p) && r.err == nil {
		var n int
		n, r.err = l.dev.Write(p[r.n:])
		r.n += n
		if n == 0 && r.err == nil {
			r.err = io.ErrShortWrite
		}
	}
	return r
}

func (l *line) unplugged(err error) error {
	return fmt.Errorf("port %s: %w: unplugged (%w); plug it in and open it again", l.name, probe.ErrGone, err)
}

// Close gives the port up. It waits for a Read in progress to leave, which
// takes at most wakeEvery.
func (l *line) Close() error {
	return l.giveUp(fmt.Errorf("port %s: %w", l.name, ErrClosed))
}

// giveUp ends the line for the given cause, once; later causes are ignored.
func (l *line) giveUp(cause error) (err error) {
	l.once.Do(func() {
		l.cause = cause
		close(l.closed)
		grace := time.NewTimer(writerGrace)
		defer grace.Stop()
		select {
		case <-l.idle:
		case <-grace.C:
		}
		l.reading.Lock()
		defer l.reading.Unlock()
		err = l.dev.Close()
		l.lock.Close()
	})
	return err
}
