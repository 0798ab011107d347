package port

import (
	"errors"
	"io"

	"golang.org/x/sys/windows"
)

type noLock struct{}

func (noLock) Close() error { return nil }

// lockNode has nothing to do: Windows opens a serial port for one program only.
func lockNode(string) (io.Closer, error) { return noLock{}, nil }

// isDeviceBusy also takes "access denied", which is how Windows says that a
// port is open elsewhere; the library reports most of these as busy itself.
func isDeviceBusy(err error) bool {
	return errors.Is(err, windows.ERROR_ACCESS_DENIED) || errors.Is(err, windows.ERROR_SHARING_VIOLATION)
}

func howToBeAllowed(string) string { return "ask whoever looks after this computer" }

// problem knows nothing without opening the port, and opening resets some
// boards: [Open] will tell.
func problem(string) string { return "" }

func holders(string) []string { return nil }
