package files

import (
	"os"
	"path/filepath"
	"syscall"
)

// isMount says whether a folder is the root of a mounted file system: it is on another device than its parent, or is its own
// parent. A bind mount of the same file system is not told apart.
func isMount(folder string) (bool, error) {
	real, err := filepath.EvalSymlinks(folder)
	if err != nil {
		return false, err
	}
	here, err := os.Stat(real)
	if err != nil {
		return false, err
	}
	above, err := os.Stat(filepath.Dir(real))
	if err != nil {
		return false, err
	}
	h, a := here.Sys().(*syscall.Stat_t), above.Sys().(*syscall.Stat_t)
	return h.Dev != a.Dev || h.Ino == a.Ino, nil
}
