package journal

import (
	"os"

	"golang.org/x/sys/windows"
)

// freeOn gives the bytes that this user may still write to the disk of a folder.
func freeOn(dir string) (uint64, error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, err
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, &os.PathError{Op: "GetDiskFreeSpaceEx", Path: dir, Err: err}
	}
	return free, nil
}
