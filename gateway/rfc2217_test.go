//go:build linux

package gateway_test

import (
	"fmt"
	"net"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/port/comtest"
)

// TestABalanceBehindARealDeviceServer runs the whole daemon over pyserial's server side of RFC 2217: what the balance prints is
// in the journal, with the port's settings as they were asked for; the server goes and comes back under its old address.
func TestABalanceBehindARealDeviceServer(t *testing.T) {
	server := comtest.Start(t, comtest.Options{})
	layout, err := filepath.Abs(fixedLine)
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("site: seed-bank\njournal: {folder: journal}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n"+
		"- {id: b-1, port: {address: %q, speed: 2400, data_bits: 7, parity: even}, layout: %q}\n", server.Address, layout)
	cfg, faults := config.Load(filepath.Join(t.TempDir(), "weighpost.yaml"), []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	d := &daemon{Gateway: gateway.New(cfg, gateway.Options{Hasher: littleWork()}), cfg: cfg}
	d.start(t)
	up := func(want bool) {
		t.Helper()
		until(t, func() bool { return d.Balances()[0].PortUp == want }, fmt.Sprintf("the port's state is never %v", want))
	}
	up(true)
	server.Until(t, "set 2400 7 E 1")
	server.Until(t, "dtr on")
	server.Until(t, "rts on")
	time.Sleep(200 * time.Millisecond) // what comes at once may lack its beginning, and is refused
	printed := 0
	prints := func() {
		t.Helper()
		for range 3 {
			printed++
			if _, err := server.Balance.Write(line(1000 + printed)); err != nil {
				t.Fatal(err)
			}
		}
		until(t, func() bool { return d.Balances()[0].Frames == uint64(printed) }, "not all lines are read")
	}
	prints()
	_, number, err := net.SplitHostPort(strings.TrimPrefix(server.Address, "rfc2217://"))
	if err != nil {
		t.Fatal(err)
	}
	server.Stop()
	up(false)
	until(t, func() bool { return d.holds(health.PortLost) }, "nobody says that the port was lost")
	n, _ := strconv.Atoi(number)
	server = comtest.Start(t, comtest.Options{Port: n})
	up(true)
	until(t, func() bool { return !d.holds(health.PortLost) }, "the condition stays")
	time.Sleep(200 * time.Millisecond)
	prints()
	d.stop(t)

	var got []string
	for _, f := range frames(t, cfg.Journal.Folder) {
		if f.Value == nil {
			t.Fatalf("%q is unread: %s", f.Frame, f.Unread)
		}
		got = append(got, f.Value.Digits)
	}
	if want := "1.001 1.002 1.003 1.004 1.005 1.006"; strings.Join(got, " ") != want {
		t.Errorf("the journal has %q, want %q", got, want)
	}
}
