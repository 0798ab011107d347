//go:build unix

package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// tryLock takes the lock of an open file; false while somebody has it. Who ends,
// however it ends, gives it back.
func tryLock(f *os.File) bool {
	return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) == nil
}
