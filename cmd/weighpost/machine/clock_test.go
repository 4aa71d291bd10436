//go:build linux

package machine

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// steps are what somebody does to the machine's clock, and by how many seconds that moves it: at least and at most.
var steps = []struct {
	name, command string
	least, most   float64
}{
	{"an hour forward", "date -s @$(( $(date +%s) + 3600 ))", 3595, 3605}, // date(1) takes whole seconds
	{"an hour back", "date -s @$(( $(date +%s) - 3600 ))", -3605, -3595},
	{"a day forward", "date -s @$(( $(date +%s) + 86400 ))", 86395, 86405},
	{"to 1970", "date -s @1000", -3e9, -1e9},
}

// TestAClockThatSomebodySets sets the clock of the running machine, with time servers and without any. Entries stay in the
// order in which they happened, checked stamps stay right, no stamp runs backwards, and each step is an entry.
func TestAClockThatSomebodySets(t *testing.T) {
	servers := map[string]string{"/bin/ntp": build(t, "./testdata/ntp")}
	for name, servers := range map[string]map[string]string{"with three time servers": servers, "without any": nil} {
		t.Run(name, func(t *testing.T) { setClock(t, servers) })
	}
}

func setClock(t *testing.T, programs map[string]string) {
	checked := programs != nil
	config := `
site: seed-bank
journal: {folder: /tmp/journal}
page: {listen: "127.0.0.1:8467"}
balances: [{id: b-4, port: {address: /dev/balance/adapter-b4-0}, layout: fixed-line.yaml, record: printed}]
sinks: [{id: folder, kind: files, folder: /out}]
`
	if checked {
		config += "clock: {servers: [\"127.0.0.1:10123\", \"127.0.0.1:10124\", \"127.0.0.1:10125\"], poll_min: 16s}\n"
	}
	c := boot(t, config, []string{"-device", usbPorts, "-chardev", lineFor("b4")}, programs)
	if checked {
		c.do(t, fmt.Sprintf("(ntp %d 10123 10124 10125 >/tmp/ntp.log 2>&1 &)", time.Now().UnixNano()))
	}
	c.start(t)
	b4 := c.plug(t, "b4")
	c.said(t, "port open", 1)
	if checked {
		c.wait(t, "weighpost journal list --kind clock-changed --json /tmp/journal | grep -q '\"state\":\"checked\"'", time.Minute)
	}
	time.Sleep(500 * time.Millisecond)
	var truth []time.Time
	print := func() {
		b4.print(t, gram(1000*(len(truth)+1)+345))
		truth = append(truth, time.Now())
		c.recorded(t, len(truth))
	}
	print()
	for i, s := range steps {
		c.do(t, s.command)
		print()
		c.wait(t, fmt.Sprintf("[ $(weighpost journal list --kind clock-changed --json /tmp/journal | grep -c 'clock was set') -ge %d ]", i+1), time.Minute)
		print()
	}
	c.stop(t, "/tmp/journal")
	judgeClock(t, c.entries(t, "/tmp/journal"), truth, checked)
}

// console is by how much more one line may take from the test to the machine's port than another, at the worst.
const console = 2 * time.Second

// judgeClock holds what is in the journal to what was printed and when. The machine's own time servers began a moment after
// they were told the time: the first weighing says by how much, and from then on they, and checked stamps, run with the truth.
func judgeClock(t *testing.T, entries []record.Entry, truth []time.Time, checked bool) {
	t.Helper()
	var last time.Time
	var behind time.Duration
	var moved []float64
	n := 0
	for i, e := range entries {
		if e.Seq != uint64(i+1) {
			t.Errorf("entry %d follows %d", e.Seq, i)
		}
		if e.Kind == record.KindClockChanged {
			k := body[record.ClockChange](t, e)
			t.Logf("entry: from %s to %s, step %q: %s", k.From, k.State, k.Step, k.Why)
			if m := wasSet.FindStringSubmatch(k.Why); m != nil {
				by, err := strconv.ParseFloat(m[2], 64)
				must(t, err)
				if m[1] == "back" {
					by = -by
				}
				moved = append(moved, by)
			}
		}
		if e.Kind != record.KindWeighing {
			continue
		}
		w := body[record.Weighing](t, e)
		if want := strings.TrimSpace(gram(1000*(n+1) + 345)[:10]); n >= len(truth) || w.Value.Digits != want {
			t.Fatalf("weighing %d is %s, printed was %s", n+1, w.Value.Digits, want)
		}
		utc := w.Stamp.UTC.Time()
		off := utc.Sub(truth[n])
		if n == 0 {
			behind = off
		}
		t.Logf("weighing %d: %s %s, %+.1f s from the truth", n+1, utc.Format(time.RFC3339), w.Stamp.Clock, off.Seconds())
		if utc.Before(last) {
			t.Errorf("the stamp of weighing %d runs backwards, from %s to %s", n+1, last, utc)
		}
		switch {
		case !checked && (w.Stamp.Clock != record.ClockUnchecked || w.Stamp.Bound != nil):
			t.Errorf("weighing %d is %s without a time server", n+1, w.Stamp.Clock)
		case checked && w.Stamp.Bound == nil:
			t.Errorf("weighing %d has no bound", n+1)
		case checked && (off-behind).Abs() > time.Duration(*w.Stamp.Bound)+console:
			t.Errorf("weighing %d is stamped %s ± %s and was printed at %s", n+1, utc, time.Duration(*w.Stamp.Bound), truth[n])
		}
		last = utc
		n++
	}
	if n != len(truth) || behind.Abs() > 15*time.Second {
		t.Errorf("%d weighings of %d printed lines, the first %s from the truth", n, len(truth), behind)
	}
	judgeSteps(t, moved)
}

var wasSet = regexp.MustCompile(`clock was set (forward|back) by ([0-9.]+) s`)

// judgeSteps wants one entry for each step, in their order.
func judgeSteps(t *testing.T, moved []float64) {
	t.Helper()
	if len(moved) != len(steps) {
		t.Fatalf("%d steps are entries, %d were made: %v", len(moved), len(steps), moved)
	}
	for i, s := range steps {
		if moved[i] < s.least || moved[i] > s.most {
			t.Errorf("%s is an entry as %.1f s", s.name, moved[i])
		}
	}
}
