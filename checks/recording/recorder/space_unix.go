//go:build unix

package recorder

import "golang.org/x/sys/unix"

// freeBytes is what this user may still write where a folder is.
func freeBytes(folder string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, err
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}
