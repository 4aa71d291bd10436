package qualify

import (
	"context"
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/qualification"
)

// bridged is a port whose pins are bridged, by the model of a line: what is sent at one setting is heard at another.
type bridged struct {
	sends, hears uart.Settings
	pulled       bool // the bridge is not there
	prints       string

	mu       sync.Mutex
	back     []byte
	marks    []int
	deadline time.Time
}

func (b *bridged) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.pulled {
		return len(p), nil
	}
	for _, c := range b.hears.Receive(b.sends.Send(p, 3), true) {
		if c.Damaged {
			b.marks = append(b.marks, len(b.back))
		}
		b.back = append(b.back, c.Value)
	}
	return len(p), nil
}

func (b *bridged) Read(p []byte) (int, error) {
	for {
		b.mu.Lock()
		n := copy(p, b.prints)
		b.prints = b.prints[n:]
		if n == 0 {
			n = copy(p, b.back)
			b.back = b.back[n:]
		}
		late := time.Now().After(b.deadline)
		b.mu.Unlock()
		if n > 0 {
			return n, nil
		}
		if late {
			return 0, os.ErrDeadlineExceeded
		}
		time.Sleep(time.Millisecond)
	}
}

// Marks gives all damage with the first read, which is enough for counting it.
func (b *bridged) Marks() (damaged, breaks []int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	damaged, b.marks = b.marks, nil
	return damaged, nil
}

func (b *bridged) SetReadDeadline(t time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.deadline = t
	return nil
}

func (*bridged) Close() error { return nil }

// loopedBy tries a port, by the model.
func loopedBy(t *testing.T, b *bridged, c port.Config) *try {
	t.Helper()
	u := &run{Deps: Deps{Open: func(context.Context, port.Config) (port.Port, error) { return b, nil }}}
	one := &try{Test: qualification.Test{Outcome: qualification.Passed}}
	u.loop(t.Context(), one, c)
	return one
}

// TestABridgeIsTried: a device server's line, of which no time is judged; a bridge that is not there, a line that damages characters, and a
// balance that is connected all fail, the last without a byte sent.
func TestABridgeIsTried(t *testing.T) {
	t.Parallel()
	c := port.Config{Address: "tcp://127.0.0.1:9"}
	good := uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}
	for _, test := range []struct {
		name string
		b    *bridged
		why  string // "": it passes
	}{
		{"a bridge", &bridged{sends: good, hears: good}, ""},
		{"no bridge", &bridged{pulled: true}, "Nothing came back"},
		{"a receiver at another speed", &bridged{sends: good, hears: uart.Settings{Speed: 4800, DataBits: 8, Parity: "none", StopBits: 1}}, "differs from character 1 on"},
		{"a receiver with parity", &bridged{sends: good, hears: uart.Settings{Speed: 9600, DataBits: 8, Parity: "even", StopBits: 1}}, "parity or framing errors"},
		{"a balance that prints", &bridged{prints: "  12.345 g\r\n"}, "Nothing was sent"},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			one := loopedBy(t, test.b, c)
			why := strings.Join(one.why, " ")
			if (one.Outcome == qualification.Passed) != (test.why == "") || !strings.Contains(why, test.why) {
				t.Errorf("%s: %s\n%s", one.Outcome, why, strings.Join(one.seen, "\n"))
			}
		})
	}
	listening := loopedBy(t, &bridged{sends: good, hears: good}, port.Config{Address: "tcp://127.0.0.1:9", ListenOnly: true})
	if listening.Outcome != qualification.NotDone || len(listening.seen) > 0 {
		t.Errorf("listen_only: %s", listening.Outcome)
	}
}

// TestAWrongSpeedShowsInTheTime: a line that runs at half or twice the configured speed takes another time than the pattern has on the wire,
// which is that of the check values (start bit, data, parity, stop; back to back).
func TestAWrongSpeedShowsInTheTime(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../port/testdata/serial_wire_time.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows[1:] {
		if row[1] != "1" {
			continue // a character; the longer lines are held to the same by the port's own tests
		}
		speed, _ := strconv.Atoi(row[2])
		one, _ := strconv.ParseInt(row[4], 10, 64)
		c := port.Config{Address: "/dev/ttyS0", Speed: speed, DataBits: int(row[0][0] - '0'), Parity: map[byte]string{'N': "none", 'E': "even", 'O': "odd"}[row[0][1]], StopBits: int(row[0][2] - '0')}
		n := len(patternOf(c))
		wire := c.WireTime(n)
		if off := wire - time.Duration(one)*time.Duration(n); off.Abs() > time.Duration(n) { // each of n is rounded to a nanosecond
			t.Fatalf("%s at %d: %d characters take %s, and the check value says %d ns for one", row[0], speed, n, wire, one)
		}
		seen++
		for _, test := range []struct {
			took time.Duration
			good bool
		}{{wire, true}, {wire + c.ReadLatency(), true}, {wire / 2, false}, {2 * wire, false}} {
			if why := judgeTime(test.took, c, wire); (why == "") != test.good {
				t.Errorf("%s at %d, %s for %s: %q", row[0], speed, test.took, wire, why)
			}
		}
	}
	if seen < 8 {
		t.Errorf("only %d settings were held against check values", seen)
	}
	t.Logf("%d settings", seen)
}
