// Package comtest runs a real device server for tests: RFC 2217 as pyserial's own server side does it (the Debian package
// python3-serial), on loopback, in front of a pseudo-terminal. Only tests import it.
package comtest

import (
	"bufio"
	_ "embed"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
)

//go:embed server.py
var script string

// python is Debian's, whose packages include python3-serial; another one in the path may lack it.
const python = "/usr/bin/python3"

// Server is a device server. What is written to Balance is what its balance prints.
type Server struct {
	Address string // rfc2217://127.0.0.1:port
	Balance *os.File
	Stop    func() // switches it off; the end of the test does so too

	stdin io.Writer
	said  chan string
}

// Options say what a server can do.
type Options struct {
	Fastest int // bits a second that its line can do; 0: 4000000
	Port    int // of TCP; 0: any
}

// Start starts a device server, or skips the test where there is none.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	err := exec.Command(python, "-c", "import serial.rfc2217").Run()
	needs.That(t, err == nil, fmt.Sprintf("pyserial (Debian: python3-serial), and %s says %v", python, err))
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close() })
	if o.Fastest == 0 {
		o.Fastest = 4_000_000
	}
	cmd := exec.Command(python, "-c", script, slave, strconv.Itoa(o.Fastest), strconv.Itoa(o.Port))
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s := &Server{Balance: master, stdin: stdin, said: make(chan string, 1000)}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(stdout); lines.Scan(); {
			select {
			case s.said <- lines.Text():
			default: // nobody asks
			}
		}
	}()
	s.Stop = sync.OnceFunc(func() {
		stdin.Close()
		kill := time.AfterFunc(10*time.Second, func() { _ = cmd.Process.Kill() })
		defer kill.Stop()
		<-ended
		_ = cmd.Wait()
	})
	t.Cleanup(s.Stop)
	s.Address = "rfc2217://127.0.0.1:" + strings.TrimPrefix(s.Until(t, "listening "), "listening ")
	return s
}

// Until waits for a line of the server that begins so: "set 9600 8 N 1", "dtr on", "rts off".
func (s *Server) Until(t testing.TB, beginning string) string {
	t.Helper()
	limit := time.After(20 * time.Second)
	for {
		select {
		case line := <-s.said:
			if strings.HasPrefix(line, beginning) {
				return line
			}
		case <-limit:
			t.Fatalf("the device server has not said %q within 20 s", beginning)
		}
	}
}

// Far switches a modem line of the balance: cts, dsr, cd, ri.
func (s *Server) Far(line string, on bool) {
	state := "off"
	if on {
		state = "on"
	}
	fmt.Fprintln(s.stdin, line, state)
}
