//go:build linux

package gateway_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/needs"
	"weighpost/sinks/mqtt/mosquitto"
)

// deviceServer is a device server with one TCP port for each balance, which can lose its cable.
type deviceServer struct {
	t     *testing.T
	ports []string
	mu    sync.Mutex
	open  []net.Listener
	conns []net.Conn
}

func newDeviceServer(t *testing.T, n int) *deviceServer {
	s := &deviceServer{t: t}
	for range n {
		s.ports = append(s.ports, "127.0.0.1:0")
	}
	s.plug()
	t.Cleanup(s.pull)
	return s
}

func (s *deviceServer) plug() {
	s.t.Helper()
	for i, at := range s.ports {
		l, err := net.Listen("tcp", at)
		if err != nil {
			s.t.Fatal(err)
		}
		s.ports[i] = l.Addr().String()
		s.mu.Lock()
		s.open = append(s.open, l)
		s.mu.Unlock()
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				s.mu.Lock()
				s.conns = append(s.conns, c)
				s.mu.Unlock()
			}
		}()
	}
}

func (s *deviceServer) pull() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, l := range s.open {
		l.Close()
	}
	for _, c := range s.conns {
		c.Close()
	}
	s.open, s.conns = nil, nil
}

// print sends a line through every open connection.
func (s *deviceServer) print(b []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.conns {
		_, _ = c.Write(b)
	}
}

// anyDisk keeps how full the machine's own disk happens to be out of a test that counts conditions.
const anyDisk = "{warn: 64 MiB, low: 32 MiB}"

// startOn starts a daemon with balances b-1, b-2 … at TCP addresses.
func startOn(t *testing.T, addresses []string, sinks string) *gateway.Gateway {
	t.Helper()
	layout, err := filepath.Abs(fixedLine)
	if err != nil {
		t.Fatal(err)
	}
	text := "site: seed-bank\njournal: {folder: journal, space: " + anyDisk + "}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n"
	for i, a := range addresses {
		text += fmt.Sprintf("- {id: b-%d, port: {address: \"tcp://%s\", dial_timeout: 1s}, layout: %q}\n", i+1, a, layout)
	}
	cfg, faults := config.Load(filepath.Join(t.TempDir(), "weighpost.yaml"), []byte(text+"sinks:\n"+sinks))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	g := gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		limit, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		defer cancel()
		if err := g.Stop(limit); err != nil {
			t.Error(err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return g
}

// told is what /readyz says is wrong: each listed condition, and how many are told under it.
func told(t *testing.T, g *gateway.Gateway) []string {
	t.Helper()
	resp, err := http.Get(g.PageURL() + "readyz")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var answer struct {
		Conditions []struct {
			Code, Subject, Sentence string
			Consequences            []any
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		t.Fatal(err)
	}
	list := []string{}
	for _, c := range answer.Conditions {
		list = append(list, fmt.Sprintf("%s %s +%d: %s", c.Code, c.Subject, len(c.Consequences), c.Sentence))
	}
	return list
}

// isTold waits until exactly one condition is told, with these words in it; none where there are no words.
func isTold(t *testing.T, g *gateway.Gateway, words ...string) {
	t.Helper()
	var last []string
	for limit := time.Now().Add(200 * time.Second); time.Now().Before(limit); time.Sleep(20 * time.Millisecond) {
		last = told(t, g)
		fits := len(last) == min(len(words), 1)
		for _, w := range words {
			fits = fits && strings.Contains(last[0], w)
		}
		if fits {
			return
		}
	}
	t.Fatalf("/readyz never told %q alone; it ended with %d:\n%s", words, len(last), strings.Join(last, "\n"))
}

// TestOnePulledCableIsOneCondition: five balances behind one device server, two sinks of one broker, each alone and both.
func TestOnePulledCableIsOneCondition(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	server := newDeviceServer(t, 5)
	sink := "- {id: %s, kind: mqtt, broker: %q, retry_max: 1s, topic_prefix: %s}\n"
	g := startOn(t, server.ports, fmt.Sprintf(sink, "lake", broker.URL(), "lake")+fmt.Sprintf(sink, "lims", broker.URL(), "lims"))
	connected := func() bool {
		for _, b := range g.Balances() {
			if !b.PortUp {
				return false
			}
		}
		return true
	}
	until(t, connected, "not all balances are connected")
	isTold(t, g)

	server.pull()
	isTold(t, g, "device-server-gone 127.0.0.1 +5", "5 balances (b-1, b-2, b-3, b-4, b-5)")
	server.plug()
	until(t, connected, "not all balances come back")
	isTold(t, g)

	broker.Stop(t)
	server.print(line(12345))
	isTold(t, g, "destination-gone "+broker.Addr()+" +2", "2 sinks (lake, lims)")
	server.pull()
	until(t, func() bool { return len(told(t, g)) == 2 }, "two cables are not two conditions")
	server.plug()
	broker.Start(t)
	isTold(t, g)
}

// TestAFullDiskIsOneConditionForAllBalances: while the journal is stopped, the readings that wait are told under it.
func TestAFullDiskIsOneConditionForAllBalances(t *testing.T) {
	t.Parallel() // it mostly waits
	dir := needs.SmallDisk(t, "size=3m")
	d := newDaemon(t, daemonOptions{balances: 3, journal: dir})
	d.start(t)
	defer d.stop(t)
	filler := filepath.Join(dir, "filler")
	fill := func() {
		f, err := os.OpenFile(filler, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for b := make([]byte, 4096); ; {
			if _, err := f.Write(b); err != nil {
				return
			}
		}
	}
	fill()
	n := 1000
	until(t, func() bool {
		for i := range d.cords {
			n++
			mustWrite(t, d, i, line(n))
		}
		list := told(t, d.Gateway)
		return len(list) == 1 && strings.Contains(list[0], "recording-stopped journal +") && strings.Contains(list[0], "3 balances (b-1, b-2, b-3)")
	}, "a full disk is not one condition with three balances under it")
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	isTold(t, d.Gateway)
}

const aloneEnv = "WEIGHPOST_TEST_ALONE"

// TestWithoutANetworkThereIsOneCondition runs itself again where only loopback exists. There a device server with two
// balances, a third balance and a sink, all elsewhere (addresses of RFC 5737), are one trouble.
func TestWithoutANetworkThereIsOneCondition(t *testing.T) {
	if os.Getenv(aloneEnv) == "" {
		t.Parallel() // it mostly waits
		needs.Root(t, "for a network of its own")
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestWithoutANetworkThereIsOneCondition$", "-test.v")
		cmd.Env = append(os.Environ(), aloneEnv+"=1")
		cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET}
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return
	}
	if out, err := exec.Command("ip", "link", "set", "lo", "up").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	g := startOn(t, []string{"192.0.2.7:4001", "192.0.2.7:4002", "198.51.100.3:4001"},
		"- {id: lake, kind: http, url: \"https://203.0.113.5/weighings\", entries: [all], retry_max: 1s}\n")
	isTold(t, g, "network-gone computer +5", "3 balances (b-1, b-2, b-3) and sink lake", "no network")
}
