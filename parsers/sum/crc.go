package sum

import "math/bits"

// crc is a cyclic redundancy check as the public CRC catalogue describes one, with a table of what each byte does.
type crc struct {
	width     uint // 8 or 16
	init, out uint16
	reflected bool // input and output both: the catalogue has no row here where they differ
	table     [256]uint16
}

// crcs holds the CRCs in the order of the kinds from CRC8SMBus. Parameters: the public CRC catalogue, rows as named.
var crcs = [...]crc{
	makeCRC(8, 0x07, 0x00, false, 0x00),        // CRC-8/SMBUS
	makeCRC(8, 0x31, 0x00, true, 0x00),         // CRC-8/MAXIM-DOW
	makeCRC(8, 0x1D, 0xFF, false, 0xFF),        // CRC-8/SAE-J1850
	makeCRC(16, 0x8005, 0x0000, true, 0x0000),  // CRC-16/ARC
	makeCRC(16, 0x8005, 0xFFFF, true, 0x0000),  // CRC-16/MODBUS
	makeCRC(16, 0x1021, 0xFFFF, false, 0x0000), // CRC-16/IBM-3740
	makeCRC(16, 0x1021, 0x0000, false, 0x0000), // CRC-16/XMODEM
	makeCRC(16, 0x1021, 0x0000, true, 0x0000),  // CRC-16/KERMIT
	makeCRC(16, 0x1021, 0x1D0F, false, 0x0000), // CRC-16/SPI-FUJITSU
	makeCRC(16, 0x1021, 0xFFFF, true, 0xFFFF),  // CRC-16/IBM-SDLC
}

// makeCRC builds the table. All initial values of reflected rows are palindromes, so they need no reflecting.
func makeCRC(width uint, poly, init uint16, reflected bool, out uint16) crc {
	c := crc{width: width, init: init, out: out, reflected: reflected}
	if reflected {
		poly = bits.Reverse16(poly) >> (16 - width)
	}
	top := uint16(1) << (width - 1)
	mask := top | (top - 1)
	for b := range c.table {
		v := uint16(b)
		if !reflected {
			v <<= width - 8
		}
		for range 8 {
			switch {
			case reflected && v&1 != 0:
				v = v>>1 ^ poly
			case reflected:
				v >>= 1
			case v&top != 0:
				v = (v<<1 ^ poly) & mask
			default:
				v = v << 1 & mask
			}
		}
		c.table[b] = v
	}
	return c
}

func (c *crc) compute(b []byte) uint16 {
	v := c.init
	switch {
	case c.reflected:
		for _, x := range b {
			v = v>>8 ^ c.table[byte(v)^x]
		}
	case c.width == 8:
		for _, x := range b {
			v = c.table[byte(v)^x]
		}
	default:
		for _, x := range b {
			v = v<<8 ^ c.table[byte(v>>8)^x]
		}
	}
	return v ^ c.out
}
