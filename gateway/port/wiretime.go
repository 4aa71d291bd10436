package port

import "time"

// BitsPerChar is how many bit times one character takes on the line: a start bit, the data bits, a parity bit if there is
// parity, and the stop bits.
func BitsPerChar(dataBits int, parity string, stopBits int) int {
	bits := 1 + dataBits + stopBits
	if parity != ParityNone && parity != "" {
		bits++
	}
	return bits
}

// WireTime is how long chars characters of bitsPerChar bits take at baud bits a second when they follow each other without a
// gap, rounded half up to a nanosecond. It is 0 if any of the three is not positive.
func WireTime(bitsPerChar, chars, baud int) time.Duration {
	if bitsPerChar <= 0 || chars <= 0 || baud <= 0 {
		return 0
	}
	bits, rate := int64(bitsPerChar)*int64(chars), int64(baud)
	whole, rest := bits/rate, bits%rate
	return time.Duration(whole)*time.Second + time.Duration((2*rest*int64(time.Second)+rate)/(2*rate))
}

// WireTime is how long n characters take on this port's line. It is 0 for tcp, where the speed of the line behind the device
// server is not known; for rfc2217 that is the one that was set.
func (c Config) WireTime(n int) time.Duration {
	if c.isTCP() {
		return 0
	}
	c = c.withDefaults()
	return WireTime(BitsPerChar(c.DataBits, c.Parity, c.StopBits), n, c.Speed)
}
