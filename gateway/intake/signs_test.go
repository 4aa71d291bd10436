package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
)

var speeds = []int{300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200}

var framings = map[string]uart.Settings{"8N1": {DataBits: 8, Parity: "none", StopBits: 1}, "7E1": {DataBits: 7, Parity: "even", StopBits: 1},
	"7O1": {DataBits: 7, Parity: "odd", StopBits: 1}, "8E1": {DataBits: 8, Parity: "even", StopBits: 1}, "8N2": {DataBits: 8, Parity: "none", StopBits: 2},
	"7N2": {DataBits: 7, Parity: "none", StopBits: 2}, "7M1": {DataBits: 7, Parity: "mark", StopBits: 1}}

func at(framing string, speed int) uart.Settings {
	s := framings[framing]
	s.Speed = speed
	return s
}

// printed is what a balance sends in n lines of rising weights.
func printedLines(n int) (lines []string) {
	for i := range n {
		lines = append(lines, fmt.Sprintf("W %+11.3f g   %c\r\n", float64(i*i*37%99999)/1000, "SM"[i%2]))
	}
	return lines
}

// heardBy says what a port hands over of what a sender said, line by line with silence between. A driver that marks damage
// puts NUL in its place and says so; one that does not passes NUL (the library) or the byte as sampled (a device server).
func heardBy(from, as uart.Settings, lines []string, driver string, resync bool) (reads [][]byte, arrivals []port.Arrival) {
	for _, line := range lines {
		var p []byte
		var a port.Arrival
		for _, c := range as.Receive(from.Send([]byte(line), 40), resync) {
			if c.Break && driver == "native" {
				a.Breaks = append(a.Breaks, len(p))
				continue
			}
			b := c.Value
			if (c.Damaged || c.Break) && driver != "server" {
				b = 0
			}
			if c.Damaged && driver == "native" {
				a.Damaged = append(a.Damaged, len(p))
			}
			p = append(p, b)
		}
		reads, arrivals = append(reads, p), append(arrivals, a)
	}
	return reads, arrivals
}

// TestAWrongSpeedShowsInItsBytes: over every pair of speeds, with a driver that marks damage and with one that puts NUL in
// its place, the signs are there after forty lines at the latest, unless the receiver is so slow that it hears nothing. A
// device server that passes damaged bytes on as they are hides some. One in ten at the most is taken for a wrong parity.
func TestAWrongSpeedShowsInItsBytes(t *testing.T) {
	for _, driver := range []string{"native", "library", "server"} {
		t.Run(driver, func(t *testing.T) {
			t.Parallel()
			pairs, seen, deaf, parity := 0, 0, 0, 0
			for _, framing := range []string{"8N1", "7E1"} {
				for _, from := range speeds {
					for _, as := range speeds {
						for _, resync := range []bool{false, true} {
							if from == as {
								continue
							}
							pairs++
							switch found, heard := signsOf(at(framing, from), at(framing, as), 40, driver, resync); {
							case found == otherSpeed || found == breaksAlone || found == floodOfNUL:
								seen++
							case found != nothing:
								seen++
								parity++
							case heard < 2*40: // at most a character or two a line
								deaf++
							default:
								if driver != "server" {
									t.Errorf("%s: %s at %d heard at %d shows nothing", driver, framing, from, as)
								}
							}
						}
					}
				}
			}
			t.Logf("%s: of %d pairs %d are seen, %d of them as a wrong parity, and %d hear next to nothing", driver, pairs, seen, parity, deaf)
			if 100*parity > 10*pairs || driver == "server" && 100*(seen+deaf) < 80*pairs {
				t.Errorf("%s: too few", driver)
			}
		})
	}
}

// signsOf sends lines and gives the first finding, and how many characters were heard.
func signsOf(from, as uart.Settings, lines int, driver string, resync bool) (found finding, heard int) {
	var s signs
	reads, arrivals := heardBy(from, as, printedLines(lines), driver, resync)
	for i := range reads {
		s.add(reads[i], arrivals[i])
		if found = s.find(); found != nothing {
			break
		}
	}
	return found, s.total()
}

// TestAWrongParityHasItsOwnSigns.
func TestAWrongParityHasItsOwnSigns(t *testing.T) {
	for _, c := range []struct {
		from, as, driver string
		want             finding
	}{
		{"7E1", "8N1", "native", sevenEven}, {"7E1", "8N1", "server", sevenEven}, {"7O1", "8N1", "native", sevenOdd},
		{"7N2", "8N1", "native", sevenHigh}, {"7M1", "8N1", "library", sevenHigh},
		{"8N1", "7E1", "native", otherParity}, {"8N1", "7O1", "native", otherParity}, {"8E1", "8N1", "native", otherParity},
		{"7E1", "7E1", "native", nothing}, {"8N2", "8N1", "native", nothing},
	} {
		for _, resync := range []bool{false, true} {
			var s signs
			reads, arrivals := heardBy(at(c.from, 9600), at(c.as, 9600), printedLines(10), c.driver, resync)
			for i := range reads {
				s.add(reads[i], arrivals[i])
			}
			if got := s.find(); got != c.want {
				t.Errorf("%s read as %s: finding %d, want %d; %+v", c.from, c.as, got, c.want, s)
			}
		}
	}
}

// TestRecordedStreamsShowNoSigns: not one of the recorded streams looks like a wrong speed or parity, even where none of
// its frames could be read.
func TestRecordedStreamsShowNoSigns(t *testing.T) {
	streams, err := filepath.Glob("../../testdata/streams/*.bytes")
	if err != nil || len(streams) < 30 {
		t.Fatalf("%d streams, %v", len(streams), err)
	}
	for _, path := range streams {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if filepath.Base(path) == "noise.bytes" {
			continue // this one holds noise
		}
		var s signs
		for i := range raw {
			s.add(raw[i:i+1], port.Arrival{})
			if found := s.find(); found != nothing {
				t.Errorf("%s: finding %d after %d bytes: %+v", filepath.Base(path), found, i+1, s)
				break
			}
		}
	}
}
