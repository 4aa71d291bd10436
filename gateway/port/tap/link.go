package tap

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// marked writes the path of a pseudo-terminal in a way that means the same and that nobody else writes: with "/./" in it. So a
// link that a killed weighpost left behind is known from any other file.
func marked(slave string) string {
	return filepath.Dir(slave) + "/./" + filepath.Base(slave)
}

// putLink puts a link to the pseudo-terminal at path. It takes the place of one that weighpost left behind, and of nothing else.
func putLink(path, slave string) error {
	folder := filepath.Dir(path)
	at, err := os.Stat(folder)
	switch {
	case err != nil:
		return &trouble{what: fmt.Sprintf("the folder %s cannot be used", folder), remedy: "Make the folder, and let the user that runs weighpost write there.", err: bare(err)}
	case !at.IsDir():
		return &trouble{what: fmt.Sprintf("%s is no folder", folder), remedy: "Name a path in a folder."}
	case at.Mode().Perm()&0o002 != 0 && at.Mode()&os.ModeSticky == 0:
		return &trouble{what: fmt.Sprintf("everybody may replace what is in the folder %s", folder), remedy: "Use a folder where only the user that runs weighpost may write."}
	}
	if left, err := leftBehind(path); err != nil {
		return err
	} else if left {
		if err := os.Remove(path); err != nil {
			return &trouble{what: "the link that was left behind cannot be replaced", remedy: "Remove it.", err: bare(err)}
		}
	}
	if err := os.Symlink(marked(slave), path); err != nil {
		return &trouble{what: "the link cannot be made", remedy: "Let the user that runs weighpost write in the folder.", err: bare(err)}
	}
	return nil
}

// leftBehind says whether a link that weighpost made is at path. Anything else there is an error.
func leftBehind(path string) (bool, error) {
	foreign := &trouble{what: "something else is there, which weighpost does not replace", remedy: "Remove it, or name another path."}
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return false, nil
	case err != nil:
		foreign.err = bare(err)
		return false, foreign
	case info.Mode()&os.ModeSymlink == 0 || !ours(info):
		return false, foreign
	}
	to, err := os.Readlink(path)
	if err != nil || filepath.Clean(to) == to || marked(filepath.Clean(to)) != to || !strings.HasPrefix(to, "/dev/") {
		return false, foreign
	}
	return true, nil
}

// ourLink says whether the link at path is the one to this pseudo-terminal.
func ourLink(path, slave string) bool {
	to, err := os.Readlink(path)
	return err == nil && to == marked(slave)
}

// takeLink removes the link if it is still ours.
func takeLink(path, slave string) {
	if ourLink(path, slave) {
		_ = os.Remove(path)
	}
}

// bare takes the path off an error whose sentence names it already.
func bare(err error) error {
	var path *os.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		return path.Err
	case errors.As(err, &link):
		return link.Err
	}
	return err
}
