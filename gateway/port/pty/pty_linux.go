package pty

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// open follows pts(4): open the multiplexer, unlock the slave, ask for its number. Settings made through the master are the
// slave's.
func open() (*os.File, string, error) {
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, "", fmt.Errorf("no pseudo-terminal can be made: %w", err)
	}
	var number int
	err = control(master, func(fd int) error {
		if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
			return err
		}
		n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
		if err != nil {
			return err
		}
		number = n
		return setRaw(fd)
	})
	if err != nil {
		master.Close()
		return nil, "", fmt.Errorf("the pseudo-terminal cannot be set up: %w", err)
	}
	return master, fmt.Sprintf("/dev/pts/%d", number), nil
}
