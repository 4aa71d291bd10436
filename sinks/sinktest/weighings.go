package sinktest

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// The made-up seed bank behind the generated weighings.
const site, incarnation = "north-seed-bank", "7qx3"

var balances = []record.Balance{
	{ID: "b-01", Serial: "SB-4410", Place: "sorting room", Readability: "0.0001 g", Identity: "confirmed"},
	{ID: "b-02", Place: "drying room, bench \"2\"", Readability: "1 mg", Identity: "unconfirmed"},
	{ID: "store-3", Serial: "0007", Capacity: "60 kg", Readability: "0.02 kg", Identity: "confirmed"},
	{ID: "x", Identity: "unconfirmed"},
}

// units are UCUM codes with symbols as a balance might print them; the last has no UCUM code.
var units = [][2]string{
	{"g", "g"}, {"mg", "mg"}, {"kg", "kg"}, {"ug", "µg"}, {"[oz_av]", "oz"}, {"[lb_av]", "lb"}, {"[car_m]", "ct"},
	{"[gr]", "GN"}, {"t", "t"}, {"", "mom"},
}

// Hostile are sample ids that a scanner or a person could send: each must come through unchanged, and harm nothing.
var Hostile = []string{
	"../../x", "..", ".", "/etc/seeds", `C:\lots\1`, "a\x00b", "CON", "con.txt", "lot.", "lot ", " lot", "a:b", "+/#", "#", "+",
	"$SYS/x", "lot\u202eABC", "\u200f", strings.Repeat("L", 300), strings.Repeat("é", 150), "=1+1", "+1", "-1", "@lot", "\tlot",
	"\rlot", "a\r\nb", "a,b", `say "seed"`, "'lot", "%2e%2e", "%", "~1", "LOT-7", "lot-7", "種子-1", "<b>", "a;b", "NUL", "aux.json",
}

// Weighings makes n valid entries of weighings in the order of their sequence, from 1: several balances in turn, every
// sign, 0 to 7 decimals, every unit, over and under range, ordinary and hostile sample ids. The same seed gives the same
// bytes.
func Weighings(n int, seed uint64) []record.Entry {
	g := newGenerator(seed)
	list := make([]record.Entry, n)
	for i := range list {
		list[i] = g.next(i)
	}
	return list
}

// WithSamples makes one weighing for each sample id.
func WithSamples(samples []string, seed uint64) []record.Entry {
	g := newGenerator(seed)
	list := make([]record.Entry, len(samples))
	for i := range list {
		g.sample = func() string { return samples[i] }
		list[i] = g.next(i)
	}
	return list
}

type generator struct {
	*rand.Rand
	numbers map[string]uint64
	at      time.Time
	sample  func() string
}

func newGenerator(seed uint64) *generator {
	g := &generator{
		Rand:    rand.New(rand.NewPCG(seed, 0x5eed)),
		numbers: make(map[string]uint64),
		at:      time.Date(2026, 11, 25, 22, 30, 0, 0, time.UTC),
	}
	g.sample = func() string {
		if g.IntN(8) == 0 {
			return Hostile[g.IntN(len(Hostile))]
		}
		return fmt.Sprintf("LOT-%04d", g.IntN(10_000))
	}
	return g
}

func (g *generator) next(i int) record.Entry {
	b := balances[g.IntN(len(balances))]
	g.numbers[b.ID]++
	g.at = g.at.Add(time.Duration(1+g.IntN(30_000_000)) * time.Microsecond)
	w := record.Weighing{
		Head: record.Head{
			Schema: record.KindWeighing.Schema(),
			ID:     record.EntryID(site, incarnation, b.ID, g.numbers[b.ID]),
			Seq:    uint64(i + 1),
			Site:   site,
		},
		Balance:  b,
		Value:    g.value(i),
		Layout:   "sha256:" + strings.Repeat("5e", 32),
		Trigger:  "printed",
		Port:     "/dev/serial/by-id/left",
		Stamp:    record.Stamp{UTC: record.UTC(g.at), Zone: "+01:00", Clock: record.ClockUnchecked},
		Context:  record.Context{Sample: &record.Learnt{ID: g.sample(), By: "scanned"}, Fields: map[string]string{}},
		Verdicts: []record.Verdict{},
		Fitness:  record.Fitness{State: "unknown"},
		Software: record.Software{Version: "development", Config: "sha256:" + strings.Repeat("c0", 32)},
	}
	w.Frame = []byte(w.Value.Digits + " " + w.Value.PrintedUnit + "\r\n")
	raw, err := json.Marshal(&w)
	if err != nil {
		panic(err) // the generator's own fault: every field is made above
	}
	return record.Entry{Seq: w.Seq, Kind: record.KindWeighing, ID: w.ID, Balance: b.ID, JSON: raw}
}

func (g *generator) value(i int) record.Value {
	u := units[i%len(units)]
	v := record.Value{
		Unit: u[0], PrintedUnit: u[1], Range: "in",
		Kind:      []string{"gross", "net", "tare", "unknown"}[g.IntN(4)],
		Stability: []string{"stable", "unstable", "unknown"}[g.IntN(3)],
	}
	if i%23 == 22 {
		v.Range = []string{"over", "under"}[g.IntN(2)]
		v.Unit, v.PrintedUnit = "", ""
		return v
	}
	v.AuxiliaryDigits = g.IntN(2)
	v.Digits = []string{"", "+", "-"}[g.IntN(3)] + g.digits(i%8)
	return v
}

// digits writes a number with this many decimals, now and then zero, with leading zeros, or without a digit before the
// point: what a balance prints is kept as printed.
func (g *generator) digits(decimals int) string {
	whole := fmt.Sprint(g.IntN(70_000))
	switch g.IntN(6) {
	case 0:
		whole = "0"
	case 1:
		whole = "000" + whole
	case 2:
		if decimals > 0 {
			whole = ""
		}
	}
	if decimals == 0 {
		return whole
	}
	part := 0
	if g.IntN(5) > 0 {
		part = g.IntN([]int{0, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000}[decimals])
	}
	return fmt.Sprintf("%s.%0*d", whole, decimals, part)
}
