package tap

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

// said gives what Check finds on a system: faults, then notes after a "!".
func said(c Config, goos string) string {
	r := strict.NewReport("x.yaml")
	c.check(r, goos)
	var all []string
	for _, f := range r.Faults() {
		all = append(all, f.Error())
	}
	for _, f := range r.Notes() {
		all = append(all, "! "+f.Error())
	}
	return strings.Join(all, "\n")
}

// TestWhatEachSystemHas: Windows has no pseudo-terminals, and is told what it can use instead.
func TestWhatEachSystemHas(t *testing.T) {
	for _, goos := range []string{"linux", "darwin"} {
		if got := said(Config{PseudoTerminal: "/run/weighpost/b-12"}, goos); got != "" {
			t.Errorf("on %s: %s", goos, got)
		}
	}
	got := said(Config{PseudoTerminal: `C:\taps\b-12`}, "windows")
	if !strings.Contains(got, "Windows has no pseudo-terminals; allowed: port with one end of a pair of serial ports, or listen: 127.0.0.1:4012") {
		t.Errorf("on Windows: %s", got)
	}
	for _, c := range []Config{{Listen: "127.0.0.1:4012"}, {Listen: "[::1]:4012"}, {Listen: "localhost:4012"}} {
		if got := said(c, "windows"); got != "" {
			t.Errorf("on Windows, %+v: %s", c, got)
		}
	}
}

// TestATapThatIsOpenToTheNetworkIsWarnedOf, and refused where nobody has said that this is meant.
func TestATapThatIsOpenToTheNetworkIsWarnedOf(t *testing.T) {
	for _, address := range []string{":4012", "0.0.0.0:4012", "[::]:4012", "192.0.2.7:4012"} {
		if got := said(Config{Listen: address}, "linux"); !strings.Contains(got, "without sign-in or encryption") || strings.HasPrefix(got, "!") {
			t.Errorf("%s: %s", address, got)
		}
		if got := said(Config{Listen: address, Insecure: true}, "linux"); !strings.HasPrefix(got, "! ") || !strings.Contains(got, "open to the network") {
			t.Errorf("%s, insecure: %s", address, got)
		}
	}
	if got := said(Config{Listen: "127.0.0.1:4012", Insecure: true}, "linux"); !strings.Contains(got, "! ") || !strings.Contains(got, "is not needed") {
		t.Errorf("on loopback, insecure: %s", got)
	}
}

func TestTheDefaultsAreThoseThatAreDescribed(t *testing.T) {
	var c Config
	if c.answer() != 2*time.Second || c.wait() != 5*time.Second {
		t.Errorf("%v, %v", c.answer(), c.wait())
	}
}

func TestSame(t *testing.T) {
	one := &Config{Port: &port.Config{Address: "/dev/ttyS1"}}
	other := &Config{Port: &port.Config{Address: "/dev/ttyS1"}}
	var none *Config
	if !one.Same(other) || one.Same(none) || none.Same(one) || !none.Same(nil) {
		t.Error("the same is not the same, or another is")
	}
	other.Port.Speed = 1200
	if one.Same(other) {
		t.Error("another speed is the same")
	}
}
