//go:build unix

package bench

import (
	"fmt"
	"io"
	"os"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"loomproof/probe/port"
)

// A ptyWay is a pseudo-terminal. It keeps the program's side open too, so that
// the instrument doesn't see the program come and go.
type ptyWay struct {
	instrument, program *os.File
	once                sync.Once
}

func newWay() (way, error) {
	instrument, program, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("no pseudo-terminal: %w", err)
	}
	// Raw: bytes pass unchanged, and nothing is echoed before the program opens it.
	if _, err := term.MakeRaw(int(program.Fd())); err != nil {
		instrument.Close()
		program.Close()
		return nil, fmt.Errorf("pseudo-terminal %s: cannot be made raw: %w", program.Name(), err)
	}
	end, err := pollable(instrument)
	if err != nil {
		program.Close()
		return nil, fmt.Errorf("pseudo-terminal %s: %w", program.Name(), err)
	}
	return &ptyWay{instrument: end, program: program}, nil
}

// pollable gives the same open file to Go's poller, so that Close frees a
// waiting Read: as it comes from the pty package it may block for ever.
func pollable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := unix.Dup(int(f.Fd()))
	if err != nil {
		return nil, err
	}
	unix.CloseOnExec(fd)
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

func (w *ptyWay) name() string { return w.program.Name() }

func (w *ptyWay) device() io.ReadWriteCloser { return w.instrument }

func (w *ptyWay) open(mode port.Mode) (port.Conn, error) { return port.Open(w.name(), mode) }

func (w *ptyWay) unplug() { w.close() }

func (w *ptyWay) close() error {
	w.once.Do(func() {
		w.instrument.Close()
		w.program.Close()
	})
	return nil
}
