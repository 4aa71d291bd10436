package console

import (
	"bufio"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func dial(t *testing.T, h *house) *net.TCPConn {
	t.Helper()
	c, err := net.Dial("tcp", "127.0.0.1:"+h.port)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c.(*net.TCPConn)
}

// A browser that takes nothing is dropped, and readings are lost to it alone.
func TestAStuckBrowserIsDropped(t *testing.T) {
	t.Parallel()
	h := open(t)
	c := dial(t, h)
	if err := c.SetReadBuffer(4096); err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(c, "GET /live HTTP/1.1\r\nHost: localhost:"+h.port+"\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := bufio.NewReader(c).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	big := strings.Repeat("x", 1<<20)
	deadline := time.Now().Add(writeTime + 20*time.Second)
	for len(h.streams) > 0 {
		if time.Now().After(deadline) {
			t.Fatal("the stream of a browser that takes nothing is still open")
		}
		h.hub.Publish(record.Live{Balance: "b-12", Unread: big})
		time.Sleep(20 * time.Millisecond)
	}
}

// Headers that come byte by byte or that never end hold a connection for a limited time.
func TestSlowAndHugeHeaders(t *testing.T) {
	t.Parallel()
	h := open(t)
	slow := dial(t, h)
	began := time.Now()
	if _, err := io.WriteString(slow, "GET / HTTP/1.1\r\nHost: loc"); err != nil {
		t.Fatal(err)
	}
	huge := dial(t, h)
	if _, err := io.WriteString(huge, "GET / HTTP/1.1\r\nHost: localhost:"+h.port+"\r\nX: "+strings.Repeat("y", 2*headerLimit)+"\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	if line, err := bufio.NewReader(huge).ReadString('\n'); err != nil || !strings.Contains(line, "431") {
		t.Errorf("a header of %d bytes: %q, %v", 2*headerLimit, line, err)
	}
	if err := slow.SetReadDeadline(began.Add(headerTime + 10*time.Second)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(io.Discard, slow); err != nil {
		t.Errorf("the connection with half a header was not closed: %v", err)
	}
	if took := time.Since(began); took < headerTime/2 {
		t.Errorf("it was closed after %s: too soon to show the limit", took)
	}
}
