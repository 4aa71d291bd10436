package port

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
)

const networkEnv = "WEIGHPOST_TEST_NETWORK"

// alone runs a test again in a network namespace of its own, which only root may make. It gives true in that namespace.
func alone(t *testing.T) bool {
	t.Helper()
	if os.Getenv(networkEnv) != "" {
		return true
	}
	needs.Root(t, "to make a network of its own")
	needs.Programs(t, "ip")
	cmd := again(t, "near")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	} else {
		t.Logf("\n%s", out)
	}
	return false
}

// again is this test in a new network namespace, in a role.
func again(t *testing.T, role string) *exec.Cmd {
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v", "-test.timeout=100s")
	cmd.Env = append(os.Environ(), networkEnv+"="+role)
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET, Pdeathsig: syscall.SIGKILL}
	return cmd
}

func ip(t *testing.T, arguments string) {
	t.Helper()
	if out, err := exec.Command("ip", strings.Fields(arguments)...).CombinedOutput(); err != nil {
		t.Fatalf("ip %s: %v: %s", arguments, err, out)
	}
}

// The two ends of the cable (addresses of RFC 5737).
const nearIP, farIP = "192.0.2.1", "192.0.2.2"

// cut has what is sent to an address go to an adapter that nobody has: as if a switch on the way were switched off, nothing
// comes back, and neither end is told.
func cut(t *testing.T, address string) {
	ip(t, "neigh replace "+address+" lladdr 02:00:00:00:00:99 dev cable nud permanent")
}

// farEnd is a computer with device servers: it says their ports, and cuts the cable when it is told to.
func farEnd(t *testing.T) {
	for limit := time.Now().Add(20 * time.Second); exec.Command("ip", "link", "show", "cable").Run() != nil; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("there is no cable")
		}
	}
	raw, com := newDeviceServer(t, ":0"), &badServer{deviceServer: newDeviceServer(t, ":0")}
	go func() {
		for c := range raw.conns {
			t.Cleanup(func() { c.Close() })
			go func() { _, _ = io.Copy(io.Discard, c) }()
		}
	}()
	go func() {
		for c := range com.conns {
			s := &served{Conn: c, server: com}
			t.Cleanup(func() { c.Close() })
			go s.run()
		}
	}()
	fmt.Printf("ports tcp %s rfc2217 %s\n", port(raw), port(com.deviceServer))
	time.Sleep(500 * time.Millisecond) // the first answer is slow, and the system takes the way for a slow one
	ip(t, "address add "+farIP+"/24 dev cable")
	ip(t, "link set cable up")
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		cut(t, nearIP)
		fmt.Println("cut")
	}
	raw.Close()
	com.Close()
}

func port(d deviceServer) string {
	return strconv.Itoa(d.Addr().(*net.TCPAddr).Port)
}

// startFarEnd joins this namespace to another one by a cable. It gives the ports there, and what cuts the cable in the middle.
func startFarEnd(t *testing.T) (ports map[string]string, cutCable func()) {
	cmd := again(t, "far")
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
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	ip(t, "link add cable type veth peer name cable netns "+strconv.Itoa(cmd.Process.Pid))
	ip(t, "address add "+nearIP+"/24 dev cable")
	ip(t, "link set cable up")
	lines := bufio.NewScanner(stdout)
	until := func(what string) string {
		for lines.Scan() {
			if strings.HasPrefix(lines.Text(), what) {
				return lines.Text()
			}
			t.Log("far:", lines.Text())
		}
		t.Fatalf("the far end has ended without %q", what)
		return ""
	}
	words := strings.Fields(until("ports"))
	ports = map[string]string{"tcp": words[2], "rfc2217": words[4]}
	return ports, func() {
		cut(t, farIP)
		fmt.Fprintln(stdin, "cut")
		until("cut")
	}
}

// beforeProbe stands for a balance that is sent to just before the first probe of an idle connection would be.
const beforeProbe = 30 * time.Minute

// TestAServerThatGoesWithoutAWordIsMissed measures how long it takes until a device server that vanished is noticed, against
// what the configuration promises, over a cable between two network namespaces that loses everything from a moment on: for
// ports that wait for their balance, one that is sent to just then, and one that is polled all the time. A server that is only
// silent, for several times as long, keeps its connection.
func TestAServerThatGoesWithoutAWordIsMissed(t *testing.T) {
	t.Parallel()
	switch {
	case os.Getenv(networkEnv) == "far":
		farEnd(t)
		return
	case !alone(t):
		return
	}
	ports, cutCable := startFarEnd(t)
	type one struct {
		name      string
		line      *Line
		story     *story
		board     watched
		keepAlive time.Duration
		polled    time.Duration
	}
	var all []*one
	for _, scheme := range []string{"tcp", "rfc2217"} {
		for _, keepAlive := range []time.Duration{time.Second, 3 * time.Second} {
			for name, polled := range map[string]time.Duration{"idle": 0, "sent to once": time.Hour, "sent to late": beforeProbe, "polled": 100 * time.Millisecond} {
				c := Config{Address: scheme + "://" + farIP + ":" + ports[scheme], KeepAlive: strict.Duration(keepAlive)}
				o := &one{fmt.Sprintf("%s, keep_alive %v, %s", scheme, keepAlive, name), nil, newStory(), newBoard(), keepAlive, polled}
				o.line = NewLine(c, "b-1", o.board.Board, nil)
				stop := running(t, o.line, o.story)
				defer stop()
				all = append(all, o)
			}
		}
	}
	for _, o := range all {
		o.story.untilCount(t, "up", 1)
	}
	time.Sleep(6 * time.Second) // silent and alive
	for _, o := range all {
		o.story.mu.Lock()
		if o.story.count("down") > 0 {
			t.Errorf("%s: a silent server was given up: %v", o.name, o.story.why)
		}
		o.story.mu.Unlock()
	}
	cutCable()
	begin := time.Now()
	latest := howLate(t)
	var polling sync.WaitGroup
	defer polling.Wait()
	for _, o := range all {
		if o.polled == 0 {
			continue
		}
		polling.Go(func() {
			if o.polled == beforeProbe {
				time.Sleep(o.keepAlive - 100*time.Millisecond)
			}
			for {
				if _, err := o.line.Write([]byte("?")); err != nil || o.polled >= beforeProbe {
					return
				}
				time.Sleep(o.polled)
			}
		})
	}
	for _, o := range all {
		o.story.untilCount(t, "down", 1)
		o.story.mu.Lock()
		took := o.story.at[len(o.story.at)-1].Sub(begin)
		why := o.story.why
		o.story.mu.Unlock()
		t.Logf("%-45s noticed after %5.2f s: %v", o.name, took.Seconds(), why)
		limit := unheard(keepAlive(o.keepAlive)) // the promise counts from the last word before the cut
		if most := 2*o.keepAlive + 3*time.Second; limit > most || took > limit+limit/16+time.Second/2+3*latest() {
			t.Errorf("%s: noticed after %v, with a limit of %v, and %v is promised; this computer was late by %v", o.name, took, limit, most, latest())
		}
		o.board.until(t, CodeLost)
	}
}

// howLate measures by how much this process gets its turn too late, on a computer that is busy with other things.
func howLate(t *testing.T) (latest func() time.Duration) {
	var worst atomic.Int64
	done, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			before := time.Now()
			select {
			case <-done:
				return
			case <-time.After(50 * time.Millisecond):
			}
			worst.Store(max(worst.Load(), int64(time.Since(before)-50*time.Millisecond)))
		}
	}()
	t.Cleanup(func() { close(done); <-ended })
	return func() time.Duration { return time.Duration(worst.Load()) }
}

// TestAServerThatTakesNothingIsAlive: its balance is held back by flow control, and what it prints is still read.
func TestAServerThatTakesNothingIsAlive(t *testing.T) {
	t.Parallel()
	server := newDeviceServer(t, "127.0.0.1:0")
	c := server.config()
	c.KeepAlive, c.WriteTimeout = strict.Duration(time.Second), strict.Duration(200*time.Millisecond)
	p := opened(t, c)
	conn := server.next(t)
	if _, err := p.Write(make([]byte, 64<<20)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("Write says %v", err)
	}
	time.Sleep(12 * time.Second) // and 4 s are the limit; the system asks after 0.2 s, 0.6 s and so on, and then after 6 s and 12 s
	if !p.(*tcp).conn.unconfirmed().held {
		t.Fatal("nothing waits to be taken: the test shows nothing")
	}
	_, _ = conn.Write([]byte("x"))
	if n, err := p.Read(make([]byte, 8)); n != 1 || err != nil {
		t.Errorf("read %d, %v", n, err)
	}
}
