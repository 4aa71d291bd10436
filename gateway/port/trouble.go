package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"

	"go.bug.st/serial"
)

var (
	errNotSerial = errors.New("it is not a serial port")
	errHeld      = errors.New("another program has locked it")
)

// settingsError is a driver that does not take the settings.
type settingsError struct{ err error }

func (e *settingsError) Error() string { return e.err.Error() }
func (e *settingsError) Unwrap() error { return e.err }

// explain turns what the system said at opening into a Trouble.
func explain(c Config, err error) *Trouble {
	t := &Trouble{Code: codeOf(err), Err: bare(err)}
	var settings *settingsError
	switch {
	case c.isURL():
		t.Code = CodeMissing
		t.Sentence = fmt.Sprintf("The device server at %s does not answer.", c.Address)
		t.Remedy = "Check that it is switched on and on the network, that the port number is right, and that no other program is connected to it. weighpost tries again by itself."
	case errors.As(err, &settings):
		t.Sentence = fmt.Sprintf("The serial port %s does not take the settings %s.", c.Address, c.settings())
		t.Remedy = "Set what the adapter can do, at the balance and in the configuration, or use another adapter."
	case errors.Is(err, errNotSerial):
		t.Sentence = fmt.Sprintf("%s is not a serial port.", c.Address)
		t.Remedy = "Correct the address in the configuration."
	case t.Code == CodeBusy:
		t.Sentence = fmt.Sprintf("The serial port %s is in use by another program.", c.Address)
		t.Remedy = "Close the program that has it open; weighpost tries again by itself."
	case t.Code == CodeRefused && errors.Is(err, os.ErrPermission):
		t.Sentence = fmt.Sprintf("weighpost may not open the serial port %s.", c.Address)
		t.Remedy = "Add the user that runs weighpost to the group dialout (on some systems uucp) and restart it."
	case t.Code == CodeRefused:
		t.Sentence = fmt.Sprintf("The serial port %s cannot be opened.", c.Address)
		t.Remedy = "Look into the log for what the system says, and try another port or adapter."
	default:
		t.Sentence = fmt.Sprintf("There is no serial port %s.", c.Address)
		t.Remedy = "Plug in the adapter, and compare its name with the address in the configuration; weighpost goes on by itself when the port is there."
	}
	return t
}

// codeOf sorts an error at opening into one of the codes.
func codeOf(err error) string {
	var library *serial.PortError
	if errors.As(err, &library) {
		switch library.Code() {
		case serial.PortBusy:
			return CodeBusy
		case serial.PortNotFound:
			return CodeMissing
		}
		return CodeRefused
	}
	switch {
	case errors.Is(err, errHeld), errors.Is(err, syscall.EBUSY):
		return CodeBusy
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.EIO),
		errors.Is(err, syscall.ENOTDIR), errors.Is(err, syscall.ELOOP):
		return CodeMissing
	}
	return CodeRefused
}

// lost says that an open port went away.
func lost(c Config, why error) *Trouble {
	if c.isURL() {
		t := &Trouble{Code: CodeLost, Err: bare(why), Sentence: fmt.Sprintf("The connection to the device server at %s was lost.", c.Address),
			Remedy: "Check the network and the device server; a server for one client drops us when another program connects. weighpost connects again by itself."}
		if errors.Is(why, io.EOF) {
			t.Sentence = fmt.Sprintf("The device server at %s closed the connection.", c.Address)
		}
		return t
	}
	return &Trouble{Code: CodeLost, Err: bare(why), Sentence: fmt.Sprintf("The serial port %s went away.", c.Address),
		Remedy: "Plug the adapter in again; weighpost goes on by itself when the port is back."}
}

// bare takes the path off an error whose sentence names it already.
func bare(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err
	}
	return err
}

func (c Config) settings() string {
	parity := strings.ToUpper(c.Parity[:1])
	text := fmt.Sprintf("%d %d%s%d", c.Speed, c.DataBits, parity, c.StopBits)
	if c.Flow != FlowNone {
		text += " " + c.Flow
	}
	return text
}

// Settings are the settings of the line in short, "9600 8N1", and "" where they are set at the device server and not known here.
func (c Config) Settings() string {
	if c.isTCP() {
		return ""
	}
	return c.withDefaults().settings()
}

// stopped is why a port goes down when the daemon itself ends.
func stopped(ctx context.Context) error {
	return fmt.Errorf("weighpost stopped reading: %w", context.Cause(ctx))
}
