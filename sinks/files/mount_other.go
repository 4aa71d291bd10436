//go:build !linux

package files

import "errors"

func isMount(string) (bool, error) {
	return false, errors.New("whether a folder is a mount point is only known on Linux")
}
