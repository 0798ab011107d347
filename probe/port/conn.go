package port

import "io"

// A Conn is an open line to an instrument: a serial port, or one end of a
// [Pipe].
//
// Read waits for at least one byte; it returns 0 bytes only with an error, and
// that error wraps [probe.ErrGone] when the port has vanished or was closed.
// Write does not wait for ever: if the other side takes nothing for two
// seconds the port is given up and the error wraps [probe.ErrGone]. One
// goroutine may read while another writes. Close frees a waiting Read, and may
// be called twice.
type Conn interface {
	io.ReadWriteCloser

	// Name is the port's name as the system has it, for messages.
	Name() string
}
