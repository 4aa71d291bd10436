package decimal

import "math/bits"

// pow10 holds the powers of ten up to 10^18.
var pow10 = func() (p [MaxDigits + 1]int64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// Cmp compares the numbers, not the texts: -1 if d < other, 0 if equal, +1 if d > other. "-0.0", "0" and "+0.000" are
// equal. It is exact for every pair.
func (d Decimal) Cmp(other Decimal) int {
	a, b := d.Coefficient(), other.Coefficient()
	switch {
	case a < 0 && b >= 0:
		return -1
	case a >= 0 && b < 0:
		return 1
	case a < 0:
		return -cmpMagnitudes(d, other)
	}
	return cmpMagnitudes(d, other)
}

// cmpMagnitudes brings both to the same scale in 128 bits, where 18 digits times 10^18 cannot overflow.
func cmpMagnitudes(a, b Decimal) int {
	ah, al := bits.Mul64(uint64(a.magnitude), uint64(pow10[b.scale]))
	bh, bl := bits.Mul64(uint64(b.magnitude), uint64(pow10[a.scale]))
	switch {
	case ah == bh && al == bl:
		return 0
	case ah < bh || ah == bh && al < bl:
		return -1
	}
	return 1
}

// Add gives d + other with the decimals of the finer of the two. ok is false where the sum, written with those decimals,
// would have more than 18 digits; the result is then 0.
func (d Decimal) Add(other Decimal) (sum Decimal, ok bool) {
	scale := max(d.scale, other.scale)
	a, aok := rescale(d, scale)
	b, bok := rescale(other, scale)
	if !aok || !bok {
		return Decimal{}, false
	}
	return New(a+b, int(scale)) // both are below 10^18, so that the sum fits an int64
}

// Sub gives d - other. Decimals and ok are as for Add.
func (d Decimal) Sub(other Decimal) (difference Decimal, ok bool) { return d.Add(other.Neg()) }

// Times gives n × d with the decimals of d. ok is false where the product would have more than 18 digits.
func (d Decimal) Times(n int64) (product Decimal, ok bool) {
	if n == -1<<63 {
		return Decimal{}, false
	}
	factor := n
	if n < 0 {
		factor = -n
	}
	high, low := bits.Mul64(uint64(d.magnitude), uint64(factor))
	if high != 0 || low >= limit {
		return Decimal{}, false
	}
	signed := int64(low)
	if (n < 0) != (d.sign == '-') {
		signed = -signed
	}
	return New(signed, int(d.scale))
}

// rescale gives the signed coefficient of d at a scale that is not smaller than its own.
func rescale(d Decimal, scale uint8) (coefficient int64, ok bool) {
	high, low := bits.Mul64(uint64(d.magnitude), uint64(pow10[scale-d.scale]))
	if high != 0 || low >= limit {
		return 0, false
	}
	if d.sign == '-' {
		return -int64(low), true
	}
	return int64(low), true
}

// Neg gives -d with the same digits: "-0.50" for "0.50" and for "+0.50", "0.50" for "-0.50".
func (d Decimal) Neg() Decimal {
	if d.sign == '-' {
		d.sign = 0
	} else {
		d.sign = '-'
	}
	return d
}

// Abs gives the same digits without a minus. A printed plus stays.
func (d Decimal) Abs() Decimal {
	if d.sign == '-' {
		d.sign = 0
	}
	return d
}

// WithoutPlus gives the same digits without a plus. A minus stays.
func (d Decimal) WithoutPlus() Decimal {
	if d.sign == '+' {
		d.sign = 0
	}
	return d
}
