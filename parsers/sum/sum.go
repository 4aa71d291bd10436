// Package sum computes the check characters that balances put at the end of a frame: exclusive or, sums, and the CRCs of
// the public CRC catalogue.
//
// A kind is chosen by its name in the catalogue ("CRC-16/MODBUS") or by its short name in a layout ("crc16-modbus").
// Plain "CRC-16" and "CCITT" mean different things to different people and are not names here. Which bytes a check covers
// and how its characters are written (one byte, hexadecimal digits, which byte first) is said by the layout.
package sum

import "strings"

// Kind is a way to compute check characters. The zero value is none.
type Kind uint8

// The kinds.
const (
	None     Kind = iota
	XOR           // exclusive or of all bytes: the longitudinal parity of ISO 1155
	Sum8          // sum modulo 256
	Sum8Ones      // the one's complement of Sum8: all bits inverted
	Sum8Twos      // the two's complement of Sum8: sum and check add up to 0 modulo 256
	Sum16         // sum modulo 65536
	CRC8SMBus
	CRC8Maxim
	CRC8J1850
	CRC16ARC
	CRC16Modbus
	CRC16IBM3740 // often called CCITT-FALSE
	CRC16XModem
	CRC16Kermit
	CRC16SpiFujitsu // often called AUG-CCITT
	CRC16IBMSDLC    // often called X-25
	kinds
)

// names holds for each kind its short name, its name, and other names in use.
var names = [kinds][]string{
	XOR:             {"xor", "XOR"},
	Sum8:            {"sum8", "SUM mod 256"},
	Sum8Ones:        {"sum8-ones", "SUM mod 256, one's complement"},
	Sum8Twos:        {"sum8-twos", "SUM mod 256, two's complement"},
	Sum16:           {"sum16", "SUM mod 65536"},
	CRC8SMBus:       {"crc8-smbus", "CRC-8/SMBUS"},
	CRC8Maxim:       {"crc8-maxim", "CRC-8/MAXIM-DOW", "CRC-8/MAXIM"},
	CRC8J1850:       {"crc8-j1850", "CRC-8/SAE-J1850"},
	CRC16ARC:        {"crc16-arc", "CRC-16/ARC"},
	CRC16Modbus:     {"crc16-modbus", "CRC-16/MODBUS"},
	CRC16IBM3740:    {"crc16-ccitt-false", "CRC-16/CCITT-FALSE", "CRC-16/IBM-3740", "crc16-ibm-3740", "CRC-16/CCITT-FALSE (IBM-3740)"},
	CRC16XModem:     {"crc16-xmodem", "CRC-16/XMODEM"},
	CRC16Kermit:     {"crc16-kermit", "CRC-16/KERMIT"},
	CRC16SpiFujitsu: {"crc16-aug-ccitt", "CRC-16/SPI-FUJITSU", "CRC-16/AUG-CCITT", "crc16-spi-fujitsu", "CRC-16/SPI-FUJITSU (AUG-CCITT)"},
	CRC16IBMSDLC:    {"crc16-x25", "CRC-16/IBM-SDLC", "CRC-16/X-25", "crc16-ibm-sdlc", "CRC-16/IBM-SDLC (X-25)"},
}

// ByName finds a kind by its name in the catalogue or its short name. Upper and lower case are the same.
func ByName(name string) (Kind, bool) {
	for k := range names {
		for _, n := range names[k] {
			if strings.EqualFold(n, name) {
				return Kind(k), true
			}
		}
	}
	return None, false
}

// Names lists the short names of all kinds, for a message that says what is allowed.
func Names() []string {
	var all []string
	for _, n := range names[XOR:] {
		all = append(all, n[0])
	}
	return all
}

// String gives the short name, and "none" for None.
func (k Kind) String() string {
	if k == None || k >= kinds {
		return "none"
	}
	return names[k][0]
}

// Name gives the name in the catalogue, and "none" for None.
func (k Kind) Name() string {
	if k == None || k >= kinds {
		return "none"
	}
	return names[k][1]
}

// Width gives the bits of a check: 8 or 16, and 0 for None.
func (k Kind) Width() int {
	switch {
	case k == None || k >= kinds:
		return 0
	case k == Sum16 || k >= CRC16ARC:
		return 16
	}
	return 8
}

// Compute gives the check of the bytes, in its lowest Width bits. It is 0 for None. It does not allocate.
func Compute(kind Kind, b []byte) uint16 {
	switch kind {
	case XOR:
		var x byte
		for _, c := range b {
			x ^= c
		}
		return uint16(x)
	case Sum8:
		return add(b) & 0xFF
	case Sum8Ones:
		return ^add(b) & 0xFF
	case Sum8Twos:
		return -add(b) & 0xFF
	case Sum16:
		return add(b)
	}
	if kind >= CRC8SMBus && kind < kinds {
		return crcs[kind-CRC8SMBus].compute(b)
	}
	return 0
}

// add sums modulo 65536, of which modulo 256 is the lower half.
func add(b []byte) (s uint16) {
	for _, c := range b {
		s += uint16(c)
	}
	return s
}
