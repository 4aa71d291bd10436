package port

import (
	"bytes"
	"fmt"
)

// Telnet commands (RFC 854, "TELNET command structure") and the options that we use: binary transmission (RFC 856), suppress
// go ahead (RFC 858) and the control of a serial port (RFC 2217).
const (
	telnetSE   = 240
	telnetBRK  = 243
	telnetSB   = 250
	telnetWILL = 251
	telnetWONT = 252
	telnetDO   = 253
	telnetDONT = 254
	telnetIAC  = 255

	optionBinary      = 0
	optionGoAhead     = 3
	optionComPort     = 44
	mostKept          = 256  // bytes of a sub-negotiation that are kept: ours are shorter, but for a signature
	mostInNegotiation = 4096 // bytes of a sub-negotiation that are waited for before it counts as one without an end
)

// telnetHandler is told what is not data. at is how many bytes of data of this decode stand before it.
type telnetHandler interface {
	// option is a DO, DONT, WILL or WONT.
	option(at int, verb, option byte)
	// negotiation is what stands between SB and SE, doubled IACs made one; longer ones are cut off after mostKept bytes. It
	// is valid only during the call.
	negotiation(at int, option byte, p []byte)
	// broke is a BRK.
	broke(at int)
}

// telnet takes a Telnet stream apart: data, and what is said about it. It knows no option and no clock, and does the same
// however the stream is cut into pieces. Commands that mean nothing for a balance (no operation, data mark, go ahead, …) are
// left out, as RFC 854 has it.
type telnet struct {
	state  uint8
	verb   byte
	kept   []byte
	length int // of the sub-negotiation so far
}

const (
	inData   uint8 = iota
	afterIAC       // in data
	afterVerb
	inNegotiation
	afterIACInNegotiation
)

// telnetFault is a stream that cannot be followed any further.
type telnetFault struct{ what string }

func (f *telnetFault) Error() string { return f.what }

// decode works in place and gives how many bytes of data are left at the beginning of p. After an error nothing that comes
// means anything.
func (t *telnet) decode(p []byte, h telnetHandler) (n int, err error) {
	if t.state == inData {
		i := bytes.IndexByte(p, telnetIAC)
		if i < 0 {
			return len(p), nil
		}
		n = i
	}
	for _, c := range p[n:] {
		switch t.state {
		case inData:
			if c == telnetIAC {
				t.state = afterIAC
				continue
			}
			p[n] = c
			n++
		case afterIAC:
			if t.state = t.command(n, c, h); c == telnetIAC {
				p[n] = c
				n++
			}
		case afterVerb:
			t.state = inData
			h.option(n, t.verb, c)
		default:
			if err := t.within(n, c, h); err != nil {
				return n, err
			}
		}
	}
	return n, nil
}

// command takes the byte after an IAC in data, and gives the state after it.
func (t *telnet) command(at int, c byte, h telnetHandler) uint8 {
	switch c {
	case telnetWILL, telnetWONT, telnetDO, telnetDONT:
		t.verb = c
		return afterVerb
	case telnetSB:
		t.kept, t.length = t.kept[:0], 0
		return inNegotiation
	case telnetBRK:
		h.broke(at)
	}
	return inData
}

// within takes a byte of a sub-negotiation (RFC 855: IAC SB, option, parameters, IAC SE).
func (t *telnet) within(at int, c byte, h telnetHandler) error {
	if t.state == inNegotiation {
		if c == telnetIAC {
			t.state = afterIACInNegotiation
			return nil
		}
		return t.keep(c)
	}
	switch c {
	case telnetIAC:
		t.state = inNegotiation
		return t.keep(c)
	case telnetSE:
		t.state = inData
		if len(t.kept) > 0 {
			h.negotiation(at, t.kept[0], t.kept[1:])
		}
		return nil
	}
	// What was meant, and where the sub-negotiation should have ended, nobody knows: bytes of the balance may be lost in it.
	return &telnetFault{fmt.Sprintf("its Telnet is broken: the command %d stands in the middle of a sub-negotiation", c)}
}

func (t *telnet) keep(c byte) error {
	if t.length++; t.length > mostInNegotiation {
		return &telnetFault{fmt.Sprintf("its Telnet is broken: a sub-negotiation does not end within %d bytes", mostInNegotiation)}
	}
	if len(t.kept) < mostKept {
		t.kept = append(t.kept, c)
	}
	return nil
}

// appendTelnet adds data as Telnet carries it, each IAC doubled.
func appendTelnet(dst, data []byte) []byte {
	for _, c := range data {
		if dst = append(dst, c); c == telnetIAC {
			dst = append(dst, c)
		}
	}
	return dst
}

// appendNegotiation adds a sub-negotiation.
func appendNegotiation(dst []byte, option byte, parameters ...byte) []byte {
	dst = append(dst, telnetIAC, telnetSB, option)
	return append(appendTelnet(dst, parameters), telnetIAC, telnetSE)
}
