//go:build unix

package port

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"
)

// lockNode takes the advisory lock on the port's node. The terminal's own
// exclusive flag is not enough: it does not hold against root, and a second
// open that is closed again takes it from the first.
func lockNode(name string) (io.Closer, error) {
	f, err := os.OpenFile(name, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	conn, err := f.SyscallConn()
	if err == nil {
		ctlErr := conn.Control(func(fd uintptr) { err = unix.Flock(int(fd), unix.LOCK_EX|unix.LOCK_NB) })
		err = errors.Join(ctlErr, err)
	}
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = errHeld
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

func isDeviceBusy(err error) bool { return errors.Is(err, unix.EBUSY) }

// howToBeAllowed reads from the node whom it belongs to.
func howToBeAllowed(name string) string {
	info, err := os.Stat(name)
	if err != nil {
		return "ask whoever looks after this computer"
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok || info.Mode().Perm()&0o060 != 0o060 {
		return fmt.Sprintf("its rights are %v: ask whoever looks after this computer to let a group read and write it", info.Mode().Perm())
	}
	group := strconv.FormatUint(uint64(owner.Gid), 10)
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	return fmt.Sprintf("it belongs to group %s: join it (sudo usermod -aG %s YOUR-NAME), then log out and in again", group, group)
}

// problem says why the port could not be opened now, without opening it:
// opening resets some boards. It is empty when nothing is known against it.
func problem(name string) string {
	if err := unix.Faccessat(unix.AT_FDCWD, name, unix.R_OK|unix.W_OK, unix.AT_EACCESS); err != nil {
		if errors.Is(err, unix.EACCES) {
			return "no permission: " + howToBeAllowed(name)
		}
		return err.Error()
	}
	if who := holders(name); len(who) > 0 {
		return "busy: " + holder(name) + " holds it"
	}
	return ""
}
