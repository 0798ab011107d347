package recorder

import "golang.org/x/sys/windows"

// freeBytes is what this user may still write where a folder is.
func freeBytes(folder string) (uint64, error) {
	name, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return 0, err
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(name, &free, nil, nil)
	return free, err
}
