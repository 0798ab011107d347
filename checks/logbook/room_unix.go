//go:build !windows

package logbook

import "golang.org/x/sys/unix"

// Room is how many bytes of a folder's disk this user may still write, and how
// many it has.
func Room(folder string) (free, size uint64, err error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, 0, err
	}
	block := uint64(s.Bsize) //nolint:gosec,unconvert // its type differs between systems
	return uint64(s.Bavail) * block, uint64(s.Blocks) * block, nil
}
