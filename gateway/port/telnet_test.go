package port

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

// hearing writes down what a stream says beside its data.
type hearing struct {
	data  []byte
	told  []string // with how many bytes of data were before
	last  []byte   // of the last sub-negotiation, without its option
	chunk int      // how many bytes of data were before this decode
	fault error
}

func (h *hearing) option(at int, verb, option byte) {
	h.told = append(h.told, fmt.Sprint(h.chunk+at, " ", verb, " ", option))
}

func (h *hearing) negotiation(at int, option byte, p []byte) {
	h.told = append(h.told, fmt.Sprintf("%d %d %x", h.chunk+at, option, p))
	h.last = bytes.Clone(p)
}

func (h *hearing) broke(at int) { h.told = append(h.told, fmt.Sprint(h.chunk+at, " break")) }

// hear takes a stream in pieces that end at the given offsets.
func (h *hearing) hear(d *telnet, p []byte) {
	if h.fault == nil {
		n, err := d.decode(p, h)
		h.data, h.fault = append(h.data, p[:n]...), err
		h.chunk = len(h.data)
	}
}

func (h *hearing) same(other *hearing) bool {
	return bytes.Equal(h.data, other.data) && slices.Equal(h.told, other.told) && fmt.Sprint(h.fault) == fmt.Sprint(other.fault)
}

func heard(t testing.TB, p []byte) *hearing {
	t.Helper()
	h := &hearing{}
	h.hear(&telnet{}, bytes.Clone(p))
	return h
}

func TestTelnetIsTakenApart(t *testing.T) {
	for _, c := range []struct{ name, stream, data, told, fault string }{
		{"data", "12.3450 g\r\n", "12.3450 g\r\n", "", ""},
		{"an IAC of the balance", "1\xff\xff2", "1\xff2", "", ""},
		{"options", "a\xff\xfb\x00b\xff\xfd\x2cc", "abc", "1 251 0|2 253 44", ""},
		{"an option 255", "\xff\xfe\xffa", "a", "0 254 255", ""},
		{"commands without meaning here", "a\xff\xf1\xff\xf2\xff\xf9\xff\xf6b\xff\xf0c\xff\x41d", "abcd", "", ""},
		{"a break", "a\xff\xf3b", "ab", "1 break", ""},
		{"a sub-negotiation", "a\xff\xfa\x2c\x65\x00\x00\xff\xff\x00\xff\xf0b", "ab", "1 44 650000ff00", ""},
		{"an empty one", "\xff\xfa\xff\xf0a", "a", "", ""},
		{"one of an option alone", "\xff\xfa\x18\xff\xf0", "", "0 24 ", ""},
		{"a command in the middle of one", "a\xff\xfa\x2c\x65\xff\xfb\x00", "a", "", "the command 251 stands in the middle"},
		{"one in one", "\xff\xfa\x2c\xff\xfa", "", "", "the command 250"},
		{"one that is long", "\xff\xfa\x2c" + strings.Repeat("x", 4095) + "\xff\xf0a", "a", "0 44 " + strings.Repeat("78", 255), ""},
		{"one without an end", "a\xff\xfa\x2c" + strings.Repeat("x", 4096), "a", "", "does not end within 4096 bytes"},
		{"the beginning of a command", "a\xff", "a", "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := heard(t, []byte(c.stream))
			for at := range len(c.stream) + 1 { // cut everywhere in two, and into single bytes
				h, d := &hearing{}, &telnet{}
				h.hear(d, []byte(c.stream[:at]))
				h.hear(d, []byte(c.stream[at:]))
				if !h.same(whole) {
					t.Fatalf("cut at %d: %+v, whole %+v", at, h, whole)
				}
			}
			if got := strings.Join(whole.told, "|"); string(whole.data) != c.data || got != c.told {
				t.Errorf("data %q, told %q", whole.data, got)
			}
			var fault *telnetFault
			if errors.As(whole.fault, &fault) != (c.fault != "") || fault != nil && !strings.Contains(fault.what, c.fault) {
				t.Errorf("the fault is %v", whole.fault)
			}
		})
	}
}

func TestTelnetOptionsAreAnsweredOnce(t *testing.T) {
	for _, c := range []struct{ name, said, answer string }{
		{"what repeats what holds", "\xfd\x2c\xfd\x2c\xfb\x00\xfb\x00\xfd\x00", ""},
		{"an offer of the port", "\xfb\x2c\xfb\x2c", "\xff\xfd\x2c"},
		{"echo", "\xfb\x01\xfc\x01", "\xff\xfe\x01"},
		{"a terminal type", "\xfd\x18\xfe\x18", "\xff\xfc\x18"},
		{"switched off again", "\xfd\x00\xfe\x00\xfe\x00", "\xff\xfc\x00"},
		{"off, on", "\xfc\x03\xfb\x03", "\xff\xfd\x03"},
	} {
		o := new(options)
		o.ask()
		var answer []byte
		for i := 0; i < len(c.said); i += 2 {
			answer = append(answer, o.hear(c.said[i], c.said[i+1])...)
		}
		if string(answer) != c.answer {
			t.Errorf("%s: answered %x, want %x", c.name, answer, c.answer)
		}
	}
}

// TestTwoClientsComeToAnEnd: two ends that do the same must not answer each other for ever.
func TestTwoClientsComeToAnEnd(t *testing.T) {
	var ends [2]options
	say := [2][]byte{ends[1].ask(), ends[0].ask()} // what each is told
	for round := 0; len(say[0])+len(say[1]) > 0; round++ {
		if round == 10 {
			t.Fatal("they still talk")
		}
		var next [2][]byte
		for i := range ends {
			for p := say[i]; len(p) > 0; p = p[3:] {
				next[1-i] = append(next[1-i], ends[i].hear(p[1], p[2])...)
			}
		}
		say = next
	}
	if !ends[0].binary() || !ends[0].comPort() {
		t.Error("they have not agreed")
	}
}

// FuzzTelnet: however a stream is cut the same comes out, there is no more data than was sent, what is kept is bounded, and
// data that is written as Telnet comes out as it was.
func FuzzTelnet(f *testing.F) {
	f.Add([]byte("a\xff\xfa\x2c\x65\x00\x00\xff\xff\x00\xff\xf0b\xff\xfb\x00\xff\xffc"), []byte{3, 1})
	f.Add([]byte("\xff\xfa\x2c"), []byte{1})
	f.Fuzz(func(t *testing.T, stream, cuts []byte) {
		whole := heard(t, stream)
		h, d := &hearing{}, &telnet{}
		rest := bytes.Clone(stream)
		for _, n := range cuts {
			n := min(int(n), len(rest))
			h.hear(d, rest[:n])
			rest = rest[n:]
		}
		h.hear(d, rest)
		if !h.same(whole) {
			t.Fatalf("in pieces: %+v, whole: %+v", h, whole)
		}
		if len(whole.data) > len(stream) || cap(d.kept) > 2*mostKept {
			t.Fatalf("%d bytes of %d, %d kept", len(whole.data), len(stream), cap(d.kept))
		}
		if back := heard(t, appendTelnet(nil, stream)); !bytes.Equal(back.data, stream) || len(back.told) > 0 || back.fault != nil {
			t.Fatalf("written and read: %+v", back)
		}
		short := stream[:min(len(stream), mostKept-1)]
		if back := heard(t, appendNegotiation(nil, 44, short...)); !bytes.Equal(back.last, short) || len(back.data) > 0 || back.fault != nil {
			t.Fatalf("sub-negotiation, written and read: %+v", back)
		}
	})
}
