package print

import (
	"io"
	"net"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: slips to a printer that takes bytes over TCP, a connection for each, against a bare loop of net alone: connect,
// write, end, and wait for the end of the other side.
func BenchmarkDeliver(b *testing.B) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go func() { // ends with the listener
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_, _ = io.Copy(io.Discard, c)
			c.Close()
		}
	}()
	c := Default()
	c.Way, c.Address, c.Unknown = Raw, l.Addr().String(), "replace"
	s, err := c.Open("slips", sinks.Env{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	sinktest.Against(b, 64, s, func(entries []record.Entry) error {
		for _, e := range entries {
			if err := bareSlip(c.Address, append(e.JSON[:len(e.JSON):len(e.JSON)], "\r\n\f"...)); err != nil {
				return err
			}
		}
		return nil
	})
}

func bareSlip(address string, body []byte) error {
	c, err := net.Dial("tcp", address)
	if err != nil {
		return err
	}
	defer c.Close()
	if _, err := c.Write(body); err != nil {
		return err
	}
	if err := c.(*net.TCPConn).CloseWrite(); err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, c)
	return err
}
