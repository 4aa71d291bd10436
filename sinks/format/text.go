package format

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"weighpost/parsers/strict"
)

// maxText is how long a layout or a template may be, in bytes.
const maxText = 64 << 10

// oneText gives a text that stands in the configuration, or in a file that the configuration names.
func oneText(text, file string) ([]byte, error) {
	if file == "" {
		if len(text) > maxText {
			return nil, fmt.Errorf("it has more than %d bytes", maxText)
		}
		return []byte(text), nil
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(fmt.Errorf("%s is no plain file", file), err)
	}
	read, err := io.ReadAll(io.LimitReader(f, maxText+1))
	if err == nil && len(read) > maxText {
		err = fmt.Errorf("%s has more than %d bytes", file, maxText)
	}
	return read, err
}

// writtenKey is the key that a text was given by.
func writtenKey(key, file string) string {
	if file != "" {
		return "file"
	}
	return key
}

// checkOneText wants either the text or an absolute path.
func checkOneText(r *strict.Report, key, text, file, allowed string) bool {
	switch {
	case text == "" && file == "":
		r.Fault(key+" and file are missing", allowed)
	case text != "" && file != "":
		r.At("file").Fault("is given beside "+key, key+", or file")
	case file != "" && !filepath.IsAbs(file):
		r.At("file").Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", file), "an absolute path")
	default:
		return true
	}
	return false
}
