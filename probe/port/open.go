package port

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"

	"go.bug.st/serial"

	"loomproof/probe"
)

// ErrClosed is what a Conn returns, wrapped, after its own Close. It wraps
// [probe.ErrGone] too; a port that was pulled wraps only that.
var ErrClosed = fmt.Errorf("%w: closed by this program", probe.ErrGone)

// ErrBusy is returned, wrapped, for a port that another program holds.
var ErrBusy = errors.New("busy")

// errHeld says that another program has the lock on the port.
var errHeld = errors.New("locked")

// wakeEvery is how often a waiting Read looks whether it should stop. Close
// waits for it: the library closes the file before it wakes its reader, and a
// reader caught in between could read from whatever file got the number next.
const wakeEvery = 50 * time.Millisecond

// Open opens a serial port, locks it, and forgets bytes that came before.
//
// An error names the port and says what to do: which ports there are when it
// is missing, which group to join when it may not be opened, who holds it when
// it is busy.
func Open(name string, mode Mode) (Conn, error) {
	mode = mode.withDefaults()
	if err := mode.check(); err != nil {
		return nil, fmt.Errorf("port %s: %w", name, err)
	}
	lock, err := lockNode(name)
	if err != nil {
		return nil, openError(name, mode, err)
	}
	dev, err := openSerial(name, mode)
	if err != nil {
		lock.Close()
		return nil, openError(name, mode, err)
	}
	return newLine(name, dev, lock), nil
}

func openSerial(name string, mode Mode) (serial.Port, error) {
	dev, err := serial.Open(name, mode.native())
	if err != nil {
		return nil, err
	}
	if err := errors.Join(dev.SetReadTimeout(wakeEvery), dev.ResetInputBuffer()); err != nil {
		dev.Close()
		return nil, err
	}
	return dev, nil
}

// openError says why a port did not open, and what to do.
func openError(name string, mode Mode, err error) error {
	switch {
	case isMissing(err):
		return fmt.Errorf("port %s: %w; %s", name, fs.ErrNotExist, whatIsThere())
	case isBusy(err):
		return fmt.Errorf("port %s: %w, %s holds it; close that first", name, ErrBusy, holder(name))
	case isForbidden(err):
		return fmt.Errorf("port %s: %w; %s", name, fs.ErrPermission, howToBeAllowed(name))
	case isBadMode(err):
		return fmt.Errorf("port %s: cannot be set to %s (%w); choose another speed or frame", name, mode, err)
	}
	return fmt.Errorf("port %s: cannot be opened as a serial port (%w); check that the name is right", name, err)
}

func hasCode(err error, code serial.PortErrorCode) bool {
	var pe *serial.PortError
	return errors.As(err, &pe) && pe.Code() == code
}

func isMissing(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || hasCode(err, serial.PortNotFound)
}

func isForbidden(err error) bool {
	return errors.Is(err, fs.ErrPermission) || hasCode(err, serial.PermissionDenied)
}

func isBusy(err error) bool {
	return errors.Is(err, errHeld) || isDeviceBusy(err) || hasCode(err, serial.PortBusy)
}

// isBadMode goes by the text: the library wraps the code that says so in one
// that only says "invalid serial port".
func isBadMode(err error) bool { return strings.Contains(err.Error(), "invalid or not supported") }

func whatIsThere() string {
	ports, err := List()
	if err != nil || len(ports) == 0 {
		return "no serial port is there: check the cable, and that its driver is installed"
	}
	names := make([]string, len(ports))
	for i, p := range ports {
		names[i] = p.String()
	}
	return "check the cable, or choose one that is there: " + strings.Join(names, ", ")
}

func holder(name string) string {
	if who := holders(name); len(who) > 0 {
		return strings.Join(who, " and ")
	}
	return "another program"
}
