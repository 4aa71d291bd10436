package record

import (
	"math/rand/v2"
	"testing"
)

// plain looks at eight bytes in one go; the table that it spares is right by its looks.
func TestPlainNeverPassesASpecialByte(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	passed := 0
	for range 200_000 {
		b := make([]byte, r.IntN(40))
		for i := range b {
			if b[i] = byte(r.Uint32()); r.IntN(20) > 0 {
				b[i] = "abz \x7f\x80\xff!#[]"[r.IntN(11)]
			}
		}
		n := plain(b)
		for _, c := range b[:n] {
			if special[c] {
				t.Fatalf("%q: passed %d bytes", b, n)
			}
		}
		whole := len(b)-n >= 8
		for i := n; whole && i < n+8; i++ {
			whole = !special[b[i]]
		}
		if whole {
			t.Fatalf("%q: stopped at %d, and the eight that follow are plain", b, n)
		}
		passed += n
	}
	if passed == 0 {
		t.Fatal("nothing was ever plain")
	}
}
