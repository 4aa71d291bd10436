package port

import (
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"testing"
	"time"
)

// Both files were computed as exact fractions from: start bit + data bits + parity bit + stop bits, nominal baud, characters
// back to back; ns_rounded is half-up. No published table is behind them.

func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var list []map[string]string
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, name := range all[0] {
			m[name] = row[i]
		}
		list = append(list, m)
	}
	return list
}

func number(t *testing.T, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// framed is the configuration for a framing such as 7E1.
func framed(t *testing.T, framing string) Config {
	t.Helper()
	parity, known := map[byte]string{'N': ParityNone, 'E': ParityEven, 'O': ParityOdd}[framing[1]]
	if !known {
		t.Fatalf("no parity in %q", framing)
	}
	return Config{Address: "/dev/ttyS0", DataBits: number(t, framing[:1]), Parity: parity, StopBits: number(t, framing[2:])}
}

func TestBitsPerCharacterAgreeWithTheTable(t *testing.T) {
	list := rows(t, "testdata/serial_frame_bits.csv")
	if len(list) != 11 {
		t.Fatalf("%d rows, not 11", len(list))
	}
	for _, row := range list {
		c := framed(t, row["framing"])
		if got, want := BitsPerChar(c.DataBits, c.Parity, c.StopBits), number(t, row["bits_per_character"]); got != want {
			t.Errorf("%s: %d bits, the table has %d", row["framing"], got, want)
		}
	}
}

func TestWireTimeAgreesWithTheTable(t *testing.T) {
	list := rows(t, "testdata/serial_wire_time.csv")
	if len(list) != 120 {
		t.Fatalf("%d rows, not 120", len(list))
	}
	for _, row := range list {
		c := framed(t, row["framing"])
		c.Speed = number(t, row["baud"])
		want := time.Duration(number(t, row["ns_rounded"]))
		if got := c.WireTime(number(t, row["characters"])); got != want {
			t.Errorf("%s characters of %s at %s baud: %v, the table has %v", row["characters"], row["framing"], row["baud"], got, want)
		}
	}
}

func TestWireTimeElsewhere(t *testing.T) {
	for _, c := range []struct {
		bits, chars, baud int
		want              time.Duration
	}{
		{10, 0, 9600, 0}, {0, 5, 9600, 0}, {10, 5, 0, 0}, {10, -1, 9600, 0},
		{10, 1 << 30, 50, 1 << 30 * 200 * time.Millisecond}, // no overflow on the way
		{11, 1, 3, 3_666_666_667 * time.Nanosecond},
	} {
		if got := WireTime(c.bits, c.chars, c.baud); got != c.want {
			t.Errorf("WireTime(%d, %d, %d) = %v, want %v", c.bits, c.chars, c.baud, got, c.want)
		}
	}
	if got := (Config{Address: "tcp://10.0.0.7:4001"}).WireTime(20); got != 0 {
		t.Errorf("tcp has a wire time of %v", got)
	}
	if got, want := (Config{Address: "/dev/ttyS0"}).WireTime(1), WireTime(10, 1, 9600); got != want {
		t.Errorf("defaults give %v, want %v", got, want)
	}
}

func ExampleWireTime() {
	fmt.Println(WireTime(BitsPerChar(7, ParityEven, 1), 16, 2400))
	// Output: 66.666667ms
}
