package main

import (
	"bytes"
	"encoding/json"
	"runtime"
	"strings"
	"testing"

	"weighpost/gateway/port"
)

// The first line of a port is the name to configure, and nothing that a device says reaches the terminal as it came.
func TestPortsAreShown(t *testing.T) {
	var out bytes.Buffer
	portText(&out, port.Found{Address: "/dev/balance/adapter-b4-0", Device: "/dev/ttyUSB0", Kind: port.KindUSB, Vendor: "1209", Product: "0001", Serial: "b4\x1b[2J",
		Driver: "d", Description: "USB adapter in socket 1-1", Names: []string{"/dev/serial/by-id/x", "/dev/serial/by-path/y"}, Holder: "cat (process 7)",
		Lines: &port.Lines{DTR: true, CTS: true}}, "")
	want := `/dev/balance/adapter-b4-0
  now        /dev/ttyUSB0
  kind       usb 1209:0001, serial number b4\x1b[2J, driver d, USB adapter in socket 1-1
  held by    cat (process 7)
  lines      DTR on, RTS off; from the balance: CTS on, DSR off, DCD off, RI off
  also       /dev/serial/by-id/x
             /dev/serial/by-path/y
`
	if out.String() != want {
		t.Errorf("shown is\n%s\nwant\n%s", out.String(), want)
	}
	out.Reset()
	portText(&out, port.Found{Address: "COM3", Device: "COM3", Kind: port.KindUnknown, HolderUnsure: true, Twins: true, Note: "Mind it."}, "passed over")
	for _, part := range []string{"COM3\n  kind       unknown\n  twin ", "\n  lines      passed over\n", "\n  note       Mind it.\n"} {
		if !strings.Contains(out.String(), part) {
			t.Errorf("%q is not in %q", part, out.String())
		}
	}
	if runtime.GOOS == "linux" && !strings.Contains(out.String(), "nobody that can be seen from here") {
		t.Errorf("that somebody may have it is not said: %q", out.String())
	}
}

// An empty list says what to do, and with --json leaves standard output to programs.
func TestNoPortsSayWhatToDo(t *testing.T) {
	var out, errs bytes.Buffer
	if err := portsRemarks(&out, nil); err != nil || !strings.Contains(out.String(), "Plug in") || !strings.Contains(out.String(), "tcp://host:port") {
		t.Errorf("%v: %s", err, out.String())
	}
	out.Reset()
	if err := portsJSON(streams{out: &out, err: &errs}, nil); err != nil || out.Len() != 0 || !strings.Contains(errs.String(), "no serial port") {
		t.Errorf("%v: %q and %q", err, out.String(), errs.String())
	}
}

// The command runs on whatever is here, and each line of --json is an object with an address.
func TestPortsOfThisComputer(t *testing.T) {
	var out, errs bytes.Buffer
	if status := run([]string{"ports", "--json"}, streams{strings.NewReader(""), &out, &errs}); status != 0 {
		t.Fatalf("status %d: %s", status, errs.String())
	}
	for line := range strings.Lines(out.String()) {
		var f port.Found
		if err := json.Unmarshal([]byte(line), &f); err != nil || f.Address == "" {
			t.Errorf("%v: %q", err, line)
		}
	}
}
