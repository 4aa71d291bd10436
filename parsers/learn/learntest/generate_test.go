package learntest_test

import (
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"weighpost/parsers/decimal"
	"weighpost/parsers/layout"
	"weighpost/parsers/learn/learntest"
	"weighpost/parsers/unit"
)

// TestShow prints the balance of one seed, for whoever looks into a failure: WEIGHPOST_SEED=7 go test -run Show -v.
func TestShow(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("WEIGHPOST_SEED"), 10, 64)
	if err != nil {
		t.Skip("WEIGHPOST_SEED names no balance to be shown")
	}
	b := learntest.New(seed, learntest.Options{})
	t.Logf("seed %d: %s; %s; tells %+v; needs %b", seed, b.Class, strings.Join(b.Traits, ", "), b.Tells, b.Needs)
	for i, f := range b.Frames {
		if i == b.Sampled {
			t.Log("further:")
		}
		t.Logf("%q sort %d may %v %s %s %s", f.Bytes, f.Sort, f.May, f.Truth.Digits, f.Truth.Unit, f.Truth.Stability)
	}
}

const many = 3000

func TestTheSameSeedGivesTheSameBalance(t *testing.T) {
	for seed := range uint64(100) {
		a, b := learntest.New(seed, learntest.Options{}), learntest.New(seed, learntest.Options{})
		if !reflect.DeepEqual(a, b) {
			t.Fatalf("seed %d gives two different balances", seed)
		}
	}
}

// TestFramesHoldWhatTheTruthSays looks for the truth's digits in the bytes, where the balance writes digits plainly.
func TestFramesHoldWhatTheTruthSays(t *testing.T) {
	only := func(s string) string {
		return strings.Map(func(c rune) rune {
			if c >= '0' && c <= '9' {
				return c
			}
			return -1
		}, s)
	}
	t.Parallel()
	balances := uint64(many / 3)
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		balances = many
	}
	for seed := range balances {
		b := learntest.New(seed, learntest.Options{})
		for i, f := range b.Frames {
			if f.Sort != learntest.Weight || b.Cannot != "" {
				continue
			}
			content := string(f.Bytes[f.From:f.To])
			if !strings.Contains(only(strings.NewReplacer(" ", "", "'", "").Replace(content)), only(f.Truth.Digits)) {
				t.Fatalf("seed %d, frame %d: %q does not hold %q", seed, i, content, f.Truth.Digits)
			}
			number, err := decimal.Parse([]byte(f.Truth.Digits))
			if err != nil || number.String() != f.Truth.Digits {
				t.Fatalf("seed %d, frame %d: the digits %q are none: %v", seed, i, f.Truth.Digits, err)
			}
			if _, ok := unit.Named(f.Truth.Unit); !ok {
				t.Fatalf("seed %d, frame %d: %q is no unit", seed, i, f.Truth.Unit)
			}
			if f.Truth.Range != layout.InRange {
				t.Fatalf("seed %d, frame %d has a weight out of range", seed, i)
			}
		}
	}
}

// TestEveryClassComesUp makes sure that the shares are shares.
func TestEveryClassComesUp(t *testing.T) {
	count := map[string]float64{}
	for seed := range uint64(many) {
		count[learntest.New(seed, learntest.Options{Lines: 1, Further: 1}).Class]++
	}
	names, percent := learntest.Classes()
	for i, name := range names {
		got := 100 * count[name] / many
		if got < percent[i]/2 || got > percent[i]*2 {
			t.Errorf("%s: %.1f %% of the balances, and %.1f %% are meant", name, got, percent[i])
		}
	}
}

// FuzzNew makes up balances from any seed, and lets them print any number of lines.
func FuzzNew(f *testing.F) {
	f.Add(uint64(7), 3, 2)
	f.Fuzz(func(t *testing.T, seed uint64, lines, further int) {
		lines, further = 1+abs(lines)%60, 1+abs(further)%60
		b := learntest.New(seed, learntest.Options{Lines: lines, Further: further})
		bytes, pauses := b.Stream()
		prints := 0
		for _, frame := range b.Frames {
			if frame.Sort == learntest.Weight || frame.Sort == learntest.Beyond {
				prints++
			}
			if frame.From < 0 || frame.From > frame.To || frame.To > len(frame.Bytes) {
				t.Fatalf("seed %d: %q has its content at %d to %d", seed, frame.Bytes, frame.From, frame.To)
			}
		}
		if prints != lines+further {
			t.Fatalf("seed %d: %d prints, and %d are meant", seed, prints, lines+further)
		}
		for i, p := range pauses {
			if p < 0 || p > len(bytes) || i > 0 && p <= pauses[i-1] {
				t.Fatalf("seed %d: pauses at %v in %d bytes", seed, pauses, len(bytes))
			}
		}
	})
}

func abs(n int) int {
	if n < 0 {
		return max(0, -n)
	}
	return n
}
