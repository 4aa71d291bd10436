package sum_test

import (
	"encoding/csv"
	"encoding/hex"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"weighpost/parsers/sum"
)

// The files in testdata are check values gathered outside this program: crc_catalogue.csv from the public CRC catalogue
// (parameters, and the check of "123456789"); checksum_vectors.csv the same kinds over six inputs, by arithmetic, two
// ways; iso1155_blocks.csv blocks after the public summary of ISO 1155:1978 (that STX is left out and ETX is covered is
// from memory).

func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	var out []map[string]string
	for _, r := range all[1:] {
		m := map[string]string{}
		for i, k := range all[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func number(t *testing.T, s string) uint16 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(s, "0x"), 16, 16)
	if err != nil {
		t.Fatal(err)
	}
	return uint16(n)
}

func flag(t *testing.T, s string) bool {
	t.Helper()
	b, err := strconv.ParseBool(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// named finds the kind of a row. The file says more about XOR than its name.
func named(t *testing.T, name string) sum.Kind {
	t.Helper()
	name, _, _ = strings.Cut(name, " (ISO 1155")
	k, ok := sum.ByName(name)
	if !ok {
		t.Fatalf("there is no kind named %q", name)
	}
	return k
}

func TestCatalogue(t *testing.T) {
	covered := 0
	for _, row := range rows(t, "crc_catalogue.csv") {
		k := named(t, row["algorithm"])
		if width, _ := strconv.Atoi(row["width"]); k.Width() != width {
			t.Errorf("%s is %d bits wide, want %d", row["algorithm"], k.Width(), width)
		}
		if got, want := sum.Compute(k, []byte("123456789")), number(t, row["check_123456789"]); got != want {
			t.Errorf("%s of 123456789 is %04X, want %04X", row["algorithm"], got, want)
		}
		covered++
	}
	if covered != 10 {
		t.Errorf("%d rows were tried, want 10", covered)
	}
}

func TestVectors(t *testing.T) {
	tried := map[sum.Kind]int{}
	for _, row := range rows(t, "checksum_vectors.csv") {
		k := named(t, row["algorithm"])
		if got, want := sum.Compute(k, unhex(t, row["input_hex"])), number(t, row["result_hex"]); got != want {
			t.Errorf("%s of %s is %04X, want %04X", row["algorithm"], row["input_hex"], got, want)
		}
		tried[k]++
	}
	for _, name := range sum.Names() {
		if k, _ := sum.ByName(name); tried[k] == 0 {
			t.Errorf("no check value covers %s", name)
		}
	}
}

func TestBlocksOfISO1155(t *testing.T) {
	for _, row := range rows(t, "iso1155_blocks.csv") {
		for _, c := range []struct{ bytes, check string }{
			{row["bytes_7bit_hex"], row["bcc_7bit"]},
			{row["bytes_on_7E1_line_hex"], row["bcc_with_even_parity"]},
		} {
			block := unhex(t, c.bytes)
			covered := block[1 : len(block)-1] // after STX, ETX included
			if got, want := sum.Compute(sum.XOR, covered), number(t, c.check); got != want || byte(want) != block[len(block)-1] {
				t.Errorf("%q: %02X, want %02X", row["text"], got, want)
			}
		}
	}
}

// bitwise computes a CRC one bit at a time from a row's parameters, as the catalogue defines it.
func bitwise(b []byte, width uint, poly, init, out uint16, refin, refout bool) uint16 {
	v := uint32(init)
	for _, c := range b {
		for i := range 8 {
			bit := uint32(c>>(7-i)) & 1
			if refin {
				bit = uint32(c>>i) & 1
			}
			top := v >> (width - 1) & 1
			v = v << 1 & (1<<width - 1)
			if top != bit {
				v ^= uint32(poly)
			}
		}
	}
	if refout {
		r := uint32(0)
		for i := range width {
			r |= v >> i & 1 << (width - 1 - i)
		}
		v = r
	}
	return uint16(v) ^ out
}

func TestTablesAgreeWithTheDefinition(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	for _, row := range rows(t, "crc_catalogue.csv") {
		k := named(t, row["algorithm"])
		for range 200 {
			b := make([]byte, r.IntN(64))
			for i := range b {
				b[i] = byte(r.Uint32())
			}
			want := bitwise(b, uint(k.Width()), number(t, row["poly"]), number(t, row["init"]), number(t, row["xorout"]),
				flag(t, row["refin"]), flag(t, row["refout"]))
			if got := sum.Compute(k, b); got != want {
				t.Fatalf("%s of %x is %04X, want %04X", k, b, got, want)
			}
		}
	}
}

func TestNames(t *testing.T) {
	want := []string{"xor", "sum8", "sum8-ones", "sum8-twos", "sum16", "crc8-smbus", "crc8-maxim", "crc8-j1850", "crc16-arc",
		"crc16-modbus", "crc16-ccitt-false", "crc16-xmodem", "crc16-kermit", "crc16-aug-ccitt", "crc16-x25"}
	if got := sum.Names(); !slices.Equal(got, want) {
		t.Errorf("Names() = %q, want %q", got, want)
	}
	for _, name := range sum.Names() {
		k, ok := sum.ByName(name)
		if again, ok2 := sum.ByName(k.Name()); !ok || !ok2 || again != k || k.String() != name {
			t.Errorf("%q gives %v %v, and its name %q gives %v %v", name, k, ok, k.Name(), again, ok2)
		}
	}
	for _, name := range []string{"", "CRC-16", "CCITT", "CRC-16/CCITT", "crc", "none", "md5"} {
		if k, ok := sum.ByName(name); ok {
			t.Errorf("ByName(%q) = %v; want nothing", name, k)
		}
	}
	if k, ok := sum.ByName("crc-16/modbus"); !ok || k != sum.CRC16Modbus {
		t.Errorf("case matters: %v, %v", k, ok)
	}
}

func TestNoneIsNothing(t *testing.T) {
	for _, k := range []sum.Kind{sum.None, 200} {
		if k.Width() != 0 || k.String() != "none" || k.Name() != "none" || sum.Compute(k, []byte("1")) != 0 {
			t.Errorf("kind %d is %q, %d bits", k, k, k.Width())
		}
	}
}

func TestComputeDoesNotAllocate(t *testing.T) {
	b := []byte("weight 12.3450 g")
	for _, name := range sum.Names() {
		k, _ := sum.ByName(name)
		if n := testing.AllocsPerRun(100, func() { sum.Compute(k, b) }); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

func BenchmarkCRC16(b *testing.B) {
	line := []byte("weight 12.3450 g  \r\n")
	b.ReportAllocs()
	for b.Loop() {
		sum.Compute(sum.CRC16Modbus, line)
	}
}
