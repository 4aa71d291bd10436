package tap

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
)

// printed is the nth line of a balance that prints without end. It says twice which one it is, so that no two halves of
// different lines pass for one.
func printed(n int) string { return fmt.Sprintf("N %7d.0 g %7d\r\n", n, n) }

// whole checks that text consists of whole printed lines, in order, and gives how many there are.
func whole(t *testing.T, text string) int {
	t.Helper()
	n, last := 0, -1
	for line := range strings.Lines(text) {
		var one, two int
		if _, err := fmt.Sscanf(line, "N %d.0 g %d\r\n", &one, &two); err != nil || one != two || one <= last || line != printed(one) {
			t.Fatalf("line %d for the program is %q, after number %d", n, line, last)
		}
		n, last = n+1, one
	}
	return n
}

// TestAProgramThatNeverReadsDelaysNothing: every line is read, and the program, once it reads again, finds whole lines.
func TestAProgramThatNeverReadsDelaysNothing(t *testing.T) {
	for _, kind := range []string{"pseudo-terminal", "TCP"} {
		t.Run(kind, func(t *testing.T) {
			var r *rig
			var program far
			if kind == "TCP" {
				var conn *net.TCPConn
				r, conn = tcpRig(t, nil)
				_ = conn.SetReadBuffer(16 << 10)
				program = conn
			} else {
				r, _ = linkRig(t, nil)
				program = r.openLink(t)
			}
			const lines = 20_000 // 500 kB: more than the buffers on the way hold
			began := time.Now()
			for i := 0; i < lines; i += 100 {
				var some strings.Builder
				for j := range 100 {
					some.WriteString(printed(i + j))
				}
				r.print(t, some.String())
			}
			r.until(t, "all was read", func() bool { return len(r.read.text()) == lines*len(printed(0)) })
			t.Logf("%d lines were read in %v beside a program that does not read", lines, time.Since(began))
			if got := whole(t, r.read.text()); got != lines {
				t.Fatalf("%d lines were read, of %d", got, lines)
			}
			left := r.tap.Status().Left
			if left == 0 || !r.holds(health.TapBehind) {
				t.Fatalf("%d lines are said to be left out, and the conditions are %+v", left, r.board.List())
			}
			// It wakes up.
			r.print(t, "END\r\n")
			text := bufio.NewReader(program)
			_ = program.SetReadDeadline(time.Now().Add(20 * time.Second))
			var got strings.Builder
			for got.Len() < int(lines-left)*len(printed(0)) {
				line, err := text.ReadString('\n')
				if err != nil {
					t.Fatalf("after %d bytes: %v", got.Len(), err)
				}
				got.WriteString(line)
			}
			if n := whole(t, got.String()); n != int(lines-left) {
				t.Errorf("the program got %d lines; %d were not left out", n, lines-left)
			}
			r.until(t, "the condition is over", func() bool { return !r.holds(health.TapBehind) })
			r.print(t, printed(lines))
			for line := ""; line != printed(lines); {
				var err error
				if line, err = text.ReadString('\n'); err != nil {
					t.Fatal(err)
				}
			}
		})
	}
}

// TestNobodyAtTheTapDelaysNothing, and who comes later gets nothing of what was before.
func TestNobodyAtTheTapDelaysNothing(t *testing.T) {
	r, _ := linkRig(t, nil)
	old := ""
	for i := range 5000 {
		old += printed(i)
	}
	r.print(t, old)
	r.until(t, "all was read", func() bool { return r.read.text() == old })
	if s := r.tap.Status(); s.Left != 0 || s.Received != 0 || r.holds(health.TapBehind) {
		t.Errorf("nobody is there, and the tap says %+v", s)
	}
	program := r.openLink(t)
	getsNothing(t, program, 50*time.Millisecond)
	r.print(t, printed(5000))
	gets(t, program, printed(5000))
	r.print(t, printed(5001)) // not read by this program
	r.until(t, "it was passed on", func() bool { return r.tap.Status().Received == 2*uint64(len(printed(0))) })
	program.Close()
	r.program(t, false)
	next := r.openLink(t)
	getsNothing(t, next, 50*time.Millisecond)
	r.print(t, printed(5002))
	gets(t, next, printed(5002))
}

// TestAProgramThatComesInTheMiddleOfALineBeginsWithTheNext, since half a line may read as another weight.
func TestAProgramThatComesInTheMiddleOfALineBeginsWithTheNext(t *testing.T) {
	tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
	now := time.Now()
	nobody := func() string { return "" }
	b := newBuffer()
	tap.hear([]byte("N   12.3"), now, nobody)
	tap.welcome(b)
	tap.hear([]byte("45 g\r"), now, nobody)
	tap.hear([]byte("\nN 1.0 g\r"), now, nobody)
	tap.hear([]byte("\n"), now, nobody)
	tap.handled()
	p := make([]byte, 100)
	if got := string(p[:b.take(p)]); got != "N 1.0 g\r\n" {
		t.Errorf("it got %q", got)
	}
	// A line that stands still is over.
	tap.hear([]byte("N 2."), now, nobody)
	tap.welcome(b)
	tap.hear([]byte("N 3"), now.Add(unfinished), nobody)
	tap.handled()
	b.take(p[:4]) // "N 2." came before
	if got := string(p[:b.take(p)]); got != "N 3" {
		t.Errorf("it got %q", got)
	}
}

// TestALineWithoutAnEnd is passed on all the same, in whatever pieces it comes.
func TestALineWithoutAnEnd(t *testing.T) {
	for _, piece := range []int{1, 64, 100, longestLine, longestLine + 1} {
		tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
		b, p, got := newBuffer(), make([]byte, 1024), ""
		tap.welcome(b)
		for range 3*longestLine/piece + 1 {
			tap.hear(bytes.Repeat([]byte("x"), piece), time.Now(), func() string { return "" })
			tap.handled()
			for !b.empty() {
				got += string(p[:b.take(p)])
			}
		}
		if len(got) != (3*longestLine/piece+1)*piece {
			t.Errorf("in pieces of %d: %d bytes", piece, len(got))
		}
	}
}

// TestWholeLinesOrNone puts random pieces of random lines past a tap whose program takes a little now and then, while turns
// of somebody else begin and end; what the program gets are whole lines.
func TestWholeLinesOrNone(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
	b := newBuffer()
	tap.welcome(b)
	var stream, got strings.Builder
	for i := range 20_000 {
		stream.WriteString(printed(i))
	}
	holder, now, p := "", time.Now(), make([]byte, 1024)
	for rest := []byte(stream.String()); len(rest) > 0; {
		n := min(1+random.IntN(60), len(rest))
		tap.hear(rest[:n], now, func() string { return holder })
		tap.handled()
		rest = rest[n:]
		if random.IntN(20) == 0 {
			holder = []string{"", "ask", Who}[random.IntN(3)]
		}
		if random.IntN(70) == 0 && !b.empty() {
			got.Write(p[:b.take(p)])
		}
	}
	for !b.empty() {
		got.Write(p[:b.take(p)])
	}
	s := tap.Status()
	lines := whole(t, got.String())
	t.Logf("%d lines passed on, %d left out, %d withheld", lines, s.Left, s.Withheld)
	if s.Left == 0 || s.Withheld == 0 || uint64(lines)+s.Left+s.Withheld != 20_000 {
		t.Errorf("%d lines passed on, %d left out, %d withheld; of 20000", lines, s.Left, s.Withheld)
	}
}
