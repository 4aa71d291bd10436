//go:build !linux && !darwin

package pty

import (
	"errors"
	"os"
)

func open() (*os.File, string, error) {
	return nil, "", errors.New("this system has no pseudo-terminals that weighpost can use; use a tcp port instead")
}
