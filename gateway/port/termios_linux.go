package port

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// speedCodes are the speeds that have a code of their own in termios; any other goes in as a number with BOTHER.
var speedCodes = map[int]uint32{
	50: unix.B50, 75: unix.B75, 110: unix.B110, 134: unix.B134, 150: unix.B150, 200: unix.B200, 300: unix.B300, 600: unix.B600,
	1200: unix.B1200, 1800: unix.B1800, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200, 230400: unix.B230400, 460800: unix.B460800,
	500000: unix.B500000, 576000: unix.B576000, 921600: unix.B921600, 1000000: unix.B1000000, 1152000: unix.B1152000,
	1500000: unix.B1500000, 2000000: unix.B2000000, 2500000: unix.B2500000, 3000000: unix.B3000000,
	3500000: unix.B3500000, 4000000: unix.B4000000,
}

var sizeCodes = map[int]uint32{5: unix.CS5, 6: unix.CS6, 7: unix.CS7, 8: unix.CS8}

// termios gives the terminal settings for the configuration: raw mode, and nothing else of what the terminal had before.
// INPCK is on even without parity, so that the driver reports framing errors (a wrong speed, a noisy line), and PARMRK has it
// mark the byte; without them the damaged character would pass as a good one. See parmrk. HUPCL is off: DTR stays as it is while we restart.
func (c Config) termios(before unix.Termios) unix.Termios {
	t := unix.Termios{Line: before.Line, Cc: before.Cc}
	t.Iflag = unix.INPCK | unix.PARMRK
	t.Cflag = unix.CREAD | unix.CLOCAL | sizeCodes[c.DataBits]
	switch c.Parity {
	case ParityOdd:
		t.Cflag |= unix.PARENB | unix.PARODD
	case ParityEven:
		t.Cflag |= unix.PARENB
	case ParityMark:
		t.Cflag |= unix.PARENB | unix.PARODD | unix.CMSPAR
	case ParitySpace:
		t.Cflag |= unix.PARENB | unix.CMSPAR
	}
	if c.StopBits == 2 {
		t.Cflag |= unix.CSTOPB
	}
	switch c.Flow {
	case FlowRTSCTS:
		t.Cflag |= unix.CRTSCTS
	case FlowXONXOFF:
		t.Iflag |= unix.IXON | unix.IXOFF
		t.Cc[unix.VSTART], t.Cc[unix.VSTOP] = 0x11, 0x13 // DC1 and DC3
	}
	code, usual := speedCodes[c.Speed]
	if !usual {
		code = unix.BOTHER
	}
	t.Cflag |= code | code<<unix.IBSHIFT
	t.Ispeed, t.Ospeed = uint32(c.Speed), uint32(c.Speed)
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return t
}

// accepted compares what was asked for with what the driver made of it: tcsetattr succeeds if only a part was taken. The
// speed may be off by 2.5 %, which is what dividers do and what a receiver stands.
func accepted(want, got unix.Termios) error {
	const shape = unix.CSIZE | unix.PARENB | unix.PARODD | unix.CMSPAR | unix.CSTOPB | unix.CRTSCTS
	if want.Cflag&shape != got.Cflag&shape {
		return fmt.Errorf("asked for line flags %#o, the driver keeps %#o", want.Cflag&shape, got.Cflag&shape)
	}
	if off := int64(got.Ospeed) - int64(want.Ospeed); 1000*max(off, -off) > 25*int64(want.Ospeed) {
		return fmt.Errorf("asked for %d bits a second, the driver makes %d", want.Ospeed, got.Ospeed)
	}
	return nil
}
