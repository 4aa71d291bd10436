package export_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"runtime/metrics"
	"strings"
	"testing"

	"weighpost/gateway/export"
	"weighpost/gateway/record"
)

// made is a journal that is made up as it is read, so that the test's own memory does not count.
type made struct{ n uint64 }

func (m made) About() export.About {
	return export.About{Where: "the journal", Site: "north-lab", Origin: "weighpost/north-lab/7qx3a", Incarnation: "7qx3a", Head: m.n}
}

func (m made) Each(ctx context.Context, each func(record.Entry) error) error {
	w := weighing(1, "DIGITS", "g", "LOT-SEQ")
	w.Head = record.Head{Schema: w.Kind().Schema(), ID: "north-lab/7qx3a/b-12/SEQ", Seq: 777, Site: "north-lab"}
	raw, err := json.Marshal(w)
	if err != nil {
		return err
	}
	form := strings.NewReplacer("%", "%%", "DIGITS", "%[2]s", "SEQ", "%06[1]d", "777", "%[1]d").Replace(string(raw))
	r := rand.New(rand.NewPCG(7, 7))
	for seq := uint64(1); seq <= m.n; seq++ {
		digits, _ := random(r)
		id := fmt.Sprintf("north-lab/7qx3a/b-12/%06d", seq)
		if err := each(record.Entry{Seq: seq, Kind: w.Kind(), ID: id, Balance: "b-12", JSON: fmt.Appendf(nil, form, seq, digits)}); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// heap is what the program's objects take now, after what is no longer used was given back.
func heap() uint64 {
	runtime.GC()
	s := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// peak exports n entries, and gives the largest heap of several moments on the way.
func peak(t *testing.T, f export.Format, n uint64) (most uint64) {
	t.Helper()
	before := heap()
	written := 0
	src := watched{made{n}, n / 8, func() { most = max(most, heap()) }}
	m, err := export.Write(context.Background(), counter{&written}, src, request(f))
	if err != nil || m.Entries != n || int64(written) != m.Bytes {
		t.Fatalf("%+v, %d bytes written, %v", m, written, err)
	}
	if most < before {
		return 0
	}
	return most - before
}

// watched calls look now and then while a journal is read.
type watched struct {
	export.Source
	every uint64
	look  func()
}

func (w watched) Each(ctx context.Context, each func(record.Entry) error) error {
	return w.Source.Each(ctx, func(e record.Entry) error {
		if e.Seq%w.every == 0 {
			w.look()
		}
		return each(e)
	})
}

type counter struct{ n *int }

func (c counter) Write(b []byte) (int, error) {
	*c.n += len(b)
	return io.Discard.Write(b)
}

// TestMemoryDoesNotGrowWithTheJournal: what a format keeps of 200,000 entries (WEIGHPOST_LONG: a million; with the race detector
// some thousands, and no Parquet) is what it keeps of few, and a little for each page or row group.
func TestMemoryDoesNotGrowWithTheJournal(t *testing.T) {
	for _, f := range export.Formats() {
		fewer, n := uint64(25_000), uint64(200_000) // more than a row group each
		switch {
		case os.Getenv("WEIGHPOST_LONG") != "":
			n = 1_000_000
		case underRace && export.Format(f) != export.Parquet:
			fewer, n = 1_000, 5_000
		case underRace: // that the row groups are bounded is held by another test, in memory too
			continue
		case testing.Short():
			n = 45_000
		}
		few, many := peak(t, export.Format(f), fewer), peak(t, export.Format(f), n)
		t.Logf("%s: %d kB with %d entries, %d kB with %d", f, few>>10, fewer, many>>10, n)
		if room := uint64(2<<20) + n*4; many > few+room {
			t.Errorf("%s keeps %d kB of %d entries, and %d kB of %d: that grows", f, many>>10, n, few>>10, fewer)
		}
	}
}
