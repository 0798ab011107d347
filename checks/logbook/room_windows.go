package logbook

import "golang.org/x/sys/windows"

// Room is how many bytes of a folder's disk this user may still write, and how
// many it has.
func Room(folder string) (free, size uint64, err error) {
	path, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return 0, 0, err
	}
	err = windows.GetDiskFreeSpaceEx(path, &free, &size, nil)
	return free, size, err
}
