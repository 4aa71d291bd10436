package port

import (
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
)

// Flags as numbers, from Linux asm-generic/termbits.h (from memory), so that the table below does not use the constants that
// the code uses. The same on amd64, arm64 and armv7.
const (
	inpck, parmrkFlag           = 0o20, 0o10
	ixon, ixoff                 = 0o2000, 0o10000
	cs5, cs6, cs7, cs8          = 0o0, 0o20, 0o40, 0o60
	cstopb, cread, parenb       = 0o100, 0o200, 0o400
	parodd, clocal, cmspar      = 0o1000, 0o4000, 0o10000000000
	crtscts, bother, speedShift = 0o20000000000, 0o10000, 16
)

var codes = map[int]uint32{50: 1, 75: 2, 110: 3, 134: 4, 150: 5, 200: 6, 300: 7, 600: 8, 1200: 9, 1800: 10, 2400: 11, 4800: 12,
	9600: 13, 19200: 14, 38400: 15, 57600: 0o10001, 115200: 0o10002, 230400: 0o10003, 460800: 0o10004, 500000: 0o10005,
	576000: 0o10006, 921600: 0o10007, 1000000: 0o10010, 1152000: 0o10011, 1500000: 0o10012, 2000000: 0o10013, 2500000: 0o10014,
	3000000: 0o10015, 3500000: 0o10016, 4000000: 0o10017,
	12345: bother, 250000: bother, 14400: bother, 31250: bother}

func TestEverySettingBecomesItsFlags(t *testing.T) {
	bits := map[int]uint32{5: cs5, 6: cs6, 7: cs7, 8: cs8}
	parities := map[string]uint32{"none": 0, "odd": parenb | parodd, "even": parenb, "mark": parenb | parodd | cmspar, "space": parenb | cmspar}
	stops := map[int]uint32{1: 0, 2: cstopb}
	type flow struct{ in, control uint32 }
	flows := map[string]flow{"none": {}, "rts-cts": {0, crtscts}, "xon-xoff": {ixon | ixoff, 0}}

	dirty := unix.Termios{Iflag: ^uint32(0), Oflag: ^uint32(0), Cflag: ^uint32(0), Lflag: ^uint32(0)}
	cases := 0
	for speed, code := range codes {
		for b, bflag := range bits {
			for p, pflag := range parities {
				for s, sflag := range stops {
					for f, fflag := range flows {
						cases++
						c := Config{Address: "x", Speed: speed, DataBits: b, Parity: p, StopBits: s, Flow: f}
						for _, before := range []unix.Termios{{}, dirty} {
							got := c.termios(before)
							wantC := cread | clocal | bflag | pflag | sflag | fflag.control | code | code<<speedShift
							if got.Cflag != wantC || got.Iflag != inpck|parmrkFlag|fflag.in || got.Oflag != 0 || got.Lflag != 0 ||
								got.Ispeed != uint32(speed) || got.Ospeed != uint32(speed) {
								t.Fatalf("%s: control %#o input %#o output %#o local %#o speed %d, want control %#o input %#o", c.settings(),
									got.Cflag, got.Iflag, got.Oflag, got.Lflag, got.Ospeed, wantC, inpck|parmrkFlag|fflag.in)
							}
						}
					}
				}
			}
		}
	}
	if cases != 34*4*5*2*3 {
		t.Errorf("%d cases", cases)
	}
}

// A second judge that is not ours: stty of coreutils says what the terminal is set to. A pseudo-terminal keeps 8 bits and no
// parity whatever is asked for, so only the rest can be seen here.
func TestSettingsAsSttySeesThem(t *testing.T) {
	if _, err := exec.LookPath("stty"); err != nil {
		needs.That(t, false, "the program stty")
	}
	for _, c := range []struct {
		cfg  Config
		want []string
	}{
		{Config{}, []string{"speed 9600 baud", "-cstopb", "-crtscts", "-ixon", "-ixoff"}},
		{Config{Speed: 1200, StopBits: 2}, []string{"speed 1200 baud", "cstopb"}},
		{Config{Speed: 115200, Flow: FlowRTSCTS}, []string{"speed 115200 baud", "crtscts"}},
		{Config{Speed: 300, Flow: FlowXONXOFF}, []string{"speed 300 baud", "ixon", "ixoff", "start = ^Q", "stop = ^S"}},
		{Config{Parity: ParityEven, DataBits: 7}, []string{"inpck"}},
	} {
		master, slave := newPTY(t)
		_ = master
		c.cfg.Address = slave
		p := opened(t, c.cfg)
		stdin, err := os.OpenFile(slave, os.O_RDONLY|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			needs.That(t, false, "root, to look at a terminal that is taken: "+err.Error())
		}
		cmd := exec.Command("stty", "-a")
		cmd.Stdin = stdin
		out, err := cmd.CombinedOutput()
		stdin.Close()
		if err != nil {
			t.Fatalf("stty: %v: %s", err, out)
		}
		words := strings.FieldsFunc(string(out), func(r rune) bool { return r == '\n' || r == ';' })
		var said []string
		for _, w := range words {
			w = strings.TrimSpace(w)
			said = append(said, w)
			if !strings.Contains(w, "=") && !strings.Contains(w, "speed") {
				said = append(said, strings.Fields(w)...)
			}
		}
		for _, w := range append(c.want, "-echo", "-icanon", "-isig", "-opost", "-icrnl", "-istrip", "cread", "clocal", "-hupcl", "cs8", "min = 1", "time = 0") {
			if !slices.Contains(said, w) {
				t.Errorf("%+v: stty does not say %q but\n%s", c.cfg, w, out)
			}
		}
		p.Close()
	}
}

func TestADriverThatTookOnlyAPartIsNoticed(t *testing.T) {
	want := Config{Address: "x", Speed: 9600, DataBits: 7, Parity: "even", StopBits: 1, Flow: "none"}.termios(unix.Termios{})
	same := func(change func(*unix.Termios)) error { got := want; change(&got); return accepted(want, got) }
	for name, c := range map[string]struct {
		change func(*unix.Termios)
		fine   bool
	}{
		"as asked":          {func(*unix.Termios) {}, true},
		"other local flags": {func(g *unix.Termios) { g.Cflag |= unix.HUPCL }, true},
		"2 % fast":          {func(g *unix.Termios) { g.Ospeed = 9792 }, true},
		"3 % slow":          {func(g *unix.Termios) { g.Ospeed = 9312 }, false},
		"8 bits":            {func(g *unix.Termios) { g.Cflag |= unix.CS8 }, false},
		"no parity":         {func(g *unix.Termios) { g.Cflag &^= unix.PARENB }, false},
		"two stop bits":     {func(g *unix.Termios) { g.Cflag |= unix.CSTOPB }, false},
		"mark, not odd":     {func(g *unix.Termios) { g.Cflag |= unix.CMSPAR }, false},
	} {
		if err := same(c.change); (err == nil) != c.fine {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestAPTYRefusesNoSetting: a pseudo-terminal drops parity and sizes silently and has no modem lines; none of that may stop a
// test or the demo from opening one.
func TestAPTYRefusesNoSetting(t *testing.T) {
	_, slave := newPTY(t)
	for _, driver := range []string{DriverNative, DriverLibrary} {
		for _, parity := range []string{"none", "odd", "even", "mark", "space"} {
			for bits := 5; bits <= 8; bits++ {
				for _, speed := range []int{50, 9600, 12345, 4000000} {
					c := Config{Address: slave, Driver: driver, Speed: speed, DataBits: bits, Parity: parity, StopBits: 1 + bits%2}
					p, err := c.Open(t.Context())
					if err != nil {
						t.Fatalf("%s %s: %v", driver, c.settings(), err)
					}
					p.Close()
				}
			}
		}
	}
}

var openPTY = pty.Open

func newPTY(t testing.TB) (master *os.File, slave string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { master.Close() })
	return master, slave
}
