package print

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"time"

	"weighpost/sinks"
	"weighpost/sinks/lines"
)

// raw sends bytes to a printer over TCP, a connection for each document. Printers that take them so (port 9100 is common
// practice and no standard) say nothing: that they closed in good order after our end is all there is.
type raw struct {
	address string
	timeout time.Duration
}

func (w *raw) close() {}

func (w *raw) send(ctx context.Context, d document) (given string, maybe bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, w.timeout)
	defer cancel()
	var dialler net.Dialer
	c, err := dialler.DialContext(ctx, "tcp", w.address)
	if err != nil {
		return "", false, fmt.Errorf("the printer at %s does not answer: %w", w.address, err)
	}
	defer c.Close()
	defer context.AfterFunc(ctx, func() { _ = c.SetDeadline(time.Unix(1, 0)) })()
	if _, err := c.Write(d.body); err != nil {
		return "", true, fmt.Errorf("the printer at %s did not take all of it: %w", w.address, err)
	}
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		return "", true, fmt.Errorf("the printer at %s went away: %w", w.address, err)
	}
	return "", true, w.end(ctx, c.(*net.TCPConn))
}

// end waits for the end of the printer's side, which says that it has read ours; a reset says that it has not. One that keeps the
// connection open, as some do, has all of it as far as the system tells: it is not sent again for that.
func (w *raw) end(ctx context.Context, c *net.TCPConn) error {
	b := make([]byte, 512)
	for { // what it says of its state is read away
		_, err := c.Read(b)
		switch {
		case err == nil:
			continue
		case errors.Is(err, io.EOF):
			return nil
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return fmt.Errorf("the printer at %s went away before it had read all of it: %w", w.address, err)
		}
		if err := lines.DrainTCP(ctx, c); err != nil { // ctx is over: it looks once
			return fmt.Errorf("the printer at %s does not take all of it: %w", w.address, err)
		}
		return nil
	}
}

// serial sends bytes to a printer on a serial port, which stays open from one document to the next.
type serial struct {
	ports sinks.Ports
	line  sinks.SerialLine
	port  sinks.SerialPort // nil: to be opened
}

// forDrain is how long a document may take to leave this computer.
const forDrain = time.Minute

func (w *serial) close() {
	if w.port != nil {
		_ = w.port.Close()
		w.port = nil
	}
}

func (w *serial) send(ctx context.Context, d document) (given string, maybe bool, err error) {
	if w.port == nil {
		w.port, err = w.ports.OpenSerial(ctx, w.line)
		switch {
		case errors.Is(err, fs.ErrPermission):
			return "", false, sinks.Unusable{Err: err}
		case err != nil:
			w.port = nil
			return "", false, fmt.Errorf("the printer's port cannot be opened: %w", err)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, forDrain)
	defer cancel()
	port := w.port
	defer context.AfterFunc(ctx, func() { _ = port.Close() })() // frees a write that hangs
	if _, err = port.Write(d.body); err == nil {
		err = port.Drain(ctx)
	}
	if err != nil {
		w.close()
		return "", true, fmt.Errorf("the printer on %s did not take all of it: %w", w.line.Address, err)
	}
	return "", false, nil
}
