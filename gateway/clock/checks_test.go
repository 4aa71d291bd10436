package clock

import (
	"context"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// The values in testdata/ntp_* come from outside the project; testdata/README.md names the source of each.

// nanoseconds reads a decimal number of seconds exactly, rounded down where it is finer.
func nanoseconds(t *testing.T, text string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is no number", text)
	}
	r.Mul(r, big.NewRat(1e9, 1))
	n := new(big.Int)
	n.Div(r.Num(), r.Denom()) // towards minus infinity
	return n.Int64()
}

func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	var list []map[string]string
	for _, fields := range all[1:] {
		row := map[string]string{}
		for i, f := range fields {
			row[all[0][i]] = f
		}
		list = append(list, row)
	}
	return list
}

func TestOffsetAndDelay(t *testing.T) {
	for _, row := range rows(t, "ntp_offset_delay.csv") {
		at := func(name string) time.Time { return time.Unix(0, nanoseconds(t, row[name])) }
		offset, delay := offsetDelay(at("t1"), at("t2"), at("t3"), at("t4"))
		if want := nanoseconds(t, row["offset_s"]); int64(offset) != want {
			t.Errorf("%s: offset %d ns, want %d", row["case"], offset, want)
		}
		if want := nanoseconds(t, row["delay_s"]); int64(delay) != want {
			t.Errorf("%s: delay %d ns, want %d", row["case"], delay, want)
		}
	}
}

func TestRootDistance(t *testing.T) {
	for _, row := range rows(t, "ntp_root_distance.csv") {
		d := func(name string) time.Duration { return time.Duration(nanoseconds(t, row[name])) }
		for column, least := range map[string]time.Duration{
			"root_distance_mindisp_0_005": minDelay, "root_distance_mindisp_0_01": 10 * time.Millisecond,
		} {
			got := rootDistance(least, d("root_delay_s"), d("delay_s"), d("root_dispersion_s")+d("dispersion_s"), d("age_s"), d("jitter_s"), 15)
			if want := d(column); got != want {
				t.Errorf("%s, %s: %s, want %s", row["case"], column, got, want)
			}
		}
	}
}

type selectionCase struct {
	Name    string `json:"name"`
	Servers []struct {
		Low  string `json:"low"`
		High string `json:"high"`
	} `json:"servers"`
	Most struct {
		Low      string `json:"low"`
		High     string `json:"high"`
		Count    int    `json:"count"`
		Majority bool   `json:"majority"`
		Midpoint string `json:"midpoint"`
		Half     string `json:"half_width"`
	} `json:"most_agreed"`
}

func TestMostAgreed(t *testing.T) {
	src, err := os.ReadFile("testdata/ntp_interval_selection.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Cases []selectionCase `json:"cases"`
	}
	if err := json.Unmarshal(src, &file); err != nil || len(file.Cases) < 13 {
		t.Fatalf("%d cases, %v", len(file.Cases), err)
	}
	for _, c := range file.Cases {
		var all []interval
		for _, s := range c.Servers {
			all = append(all, interval{nanoseconds(t, s.Low), nanoseconds(t, s.High)})
		}
		want := interval{nanoseconds(t, c.Most.Low), nanoseconds(t, c.Most.High)}
		if got, count := mostAgreed(all); got != want || count != c.Most.Count {
			t.Errorf("%s: %v covered by %d, want %v by %d", c.Name, got, count, want, c.Most.Count)
		}
		got, ok := agree(len(all), all)
		if ok != c.Most.Majority {
			t.Errorf("%s: majority %t, want %t", c.Name, ok, c.Most.Majority)
		}
		if ok && (got.mid != nanoseconds(t, c.Most.Midpoint) || int64(got.half) < nanoseconds(t, c.Most.Half)) {
			t.Errorf("%s: %d ± %d, want midpoint %s and at least ± %s", c.Name, got.mid, got.half, c.Most.Midpoint, c.Most.Half)
		}
	}
}

// TestTimestampsOverTheWire has a server send the times of the check file, also across the end of the era in 2036, and our
// clock show the other two.
func TestTimestampsOverTheWire(t *testing.T) {
	for _, row := range rows(t, "ntp_offset_delay_fixed_point.csv") {
		stamp := func(name string) uint64 {
			n, err := strconv.ParseUint(row[name], 16, 64)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		s := serve(t, 0, func(p packet) packet {
			binary.BigEndian.PutUint64(p[16:], stamp("t2_hex")-1<<32)
			binary.BigEndian.PutUint64(p[32:], stamp("t2_hex"))
			binary.BigEndian.PutUint64(p[40:], stamp("t3_hex"))
			return p
		})
		ours := []time.Duration{sinceUnix(stamp("t1_hex")), sinceUnix(stamp("t4_hex"))}
		ask := network(func() time.Duration {
			next := ours[0]
			ours = ours[1:]
			return next
		})
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		r, _, err := ask(ctx, s.address)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := measure(r, 0, finePrecision)
		if !ok {
			t.Fatalf("%s: no measurement", row["case"])
		}
		for name, pair := range map[string][2]int64{
			"offset": {int64(got.offset), nanoseconds(t, row["offset_s"])}, "delay": {int64(got.delay), nanoseconds(t, row["delay_s"])},
		} {
			if d := pair[0] - pair[1]; d < -1 || d > 1 { // a timestamp is finer than a nanosecond
				t.Errorf("%s: the %s is %d ns, want %d", row["case"], name, pair[0], pair[1])
			}
		}
	}
}

// sinceUnix reads a 64-bit timestamp (RFC 5905 section 6) as our clock's time since 1970. Before 1968 it is of the era that
// begins in 2036 (section 6 leaves that to the reader).
func sinceUnix(stamp uint64) time.Duration {
	seconds := int64(stamp>>32) - 2208988800
	if seconds < 0 {
		seconds += 1 << 32
	}
	return time.Duration(seconds)*time.Second + time.Duration((stamp&0xffffffff)*1e9>>32)
}
