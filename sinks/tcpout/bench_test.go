package tcpout

import (
	"io"
	"net"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks/lines"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: batches of 256 lines to a program that reads them away, against a bare net.Conn that writes the same lines, one
// write for each. Both promise the same at the end of a batch: that the other computer has it.
func BenchmarkDeliver(b *testing.B) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go func() { // ends with the listener; what it started, with the connections
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(io.Discard, c)
				c.Close()
			}()
		}
	}()
	c := Default()
	c.Dial, c.Unknown = l.Addr().String(), "replace"
	s := open(b, c)
	line, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		b.Fatal(err)
	}
	defer line.Close()
	sinktest.Against(b, 256, s, func(entries []record.Entry) error {
		for _, e := range entries {
			if _, err := line.Write(append(e.JSON[:len(e.JSON):len(e.JSON)], "\r\n"...)); err != nil {
				return err
			}
		}
		return lines.DrainTCP(b.Context(), line.(*net.TCPConn))
	})
}
