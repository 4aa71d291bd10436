package journal

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

func walOf(dir string) string { return filepath.Join(dir, dbName+walSuffix) }

// outcome opens a journal whose WAL somebody touched. All acknowledged entries are there, or it is refused, as Verify does,
// and untouched.
func outcome(t *testing.T, dir string, acknowledged uint64) (refused string) {
	t.Helper()
	before := snapshot(t, dir)
	s, head, _, err := inspect(context.Background(), osDisk{}, dir, len(steps))
	if err == nil {
		if s.edge.size < acknowledged || head.seq != acknowledged {
			t.Errorf("opens with %d entries (head %d), and %d were acknowledged", s.edge.size, head.seq, acknowledged)
		}
		return ""
	}
	if after := snapshot(t, dir); after != before {
		t.Errorf("the files were touched:\n%s\nbefore:\n%s", after, before)
	}
	return err.Error()
}

// Every k-th bit of a WAL with many commits is flipped, and every k-th length is tried.
func TestNoFlippedBitAndNoTrimmedEndShortensTheJournal(t *testing.T) {
	const entries = 25
	good := killed(t, entries)
	wal, err := os.ReadFile(walOf(good))
	must(t, err)
	bits, step := len(wal)*8, 29989
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		step = 331
	}
	said, harmless := map[string]int{}, 0
	try := func(name string, changed []byte) {
		must(t, os.WriteFile(walOf(good), changed, 0o640))
		refused := outcome(t, good, entries)
		switch {
		case refused == "":
			harmless++
		case strings.Contains(refused, "its WAL is damaged"):
			said["damaged"]++
		case strings.Contains(refused, "were acknowledged"), strings.Contains(refused, "journal.db cannot be read"):
			said["short"]++
		default:
			t.Errorf("%s: %s", name, refused)
		}
	}
	for bit := 0; bit < bits; bit += step {
		changed := bytes.Clone(wal)
		changed[bit/8] ^= 1 << (bit % 8)
		try(fmt.Sprintf("bit %d", bit), changed)
	}
	for cut := 1; cut < len(wal); cut += step / 8 {
		try(fmt.Sprintf("%d bytes trimmed", cut), wal[:len(wal)-cut])
	}
	t.Logf("%d bytes; harmless %d, said %v", len(wal), harmless, said)
	if said["damaged"] == 0 || said["short"] == 0 {
		t.Error("not every way of being refused was seen")
	}
}

// Where the damage is told, with frame and offset, and which entries it concerns.
func TestADamagedWALIsToldByFrameOffsetAndEntries(t *testing.T) {
	dir := killed(t, 60)
	wal, err := os.ReadFile(walOf(dir))
	must(t, err)
	frame := int64(walFrameHeader + pageSize)
	at := walHeader + 30*frame + 1000
	spoil(t, walOf(dir), func(b []byte) []byte { b[at] ^= 4; return b })
	refused := outcome(t, dir, 60)
	want := fmt.Sprintf("its WAL is damaged: frame 31 of %d, at byte %d of journal.db-wal, is not as it was written",
		(len(wal)-walHeader)/int(frame), walHeader+30*frame)
	want = strings.Replace(want, " of journal.db-wal,", " of journal.db-wal", 1)
	if !strings.Contains(refused, want) {
		t.Errorf("says: %s\nwant: %s", refused, want)
	}
	m := regexp.MustCompile(`ends with entry (\d+), and 60 were acknowledged: entries (\d+) to 60 are concerned`).FindStringSubmatch(refused)
	if m == nil {
		t.Fatalf("says: %s", refused)
	}
	last, _ := strconv.ParseUint(m[1], 10, 64)
	if first, _ := strconv.ParseUint(m[2], 10, 64); first != last+1 || last == 0 || last >= 60 {
		t.Errorf("entries %d and %d", last, first)
	}
	r, err := Verify(context.Background(), dir, "", nil)
	if err != nil || len(r.Faults) == 0 || r.Faults[0].Seq != last+1 || !strings.Contains(r.Faults[0].What, want) {
		t.Errorf("Verify: %v\n%s", err, r.Text())
	}
}

// WALs that are not this journal's, or not the newest one.
func TestAnotherWALIsRefused(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Options{Dir: dir, idleAfter: time.Hour})
	appendN(t, j, "b-12", 20)
	older, err := os.ReadFile(walOf(dir))
	must(t, err)
	_, err = j.Append(context.Background(), &record.Lifecycle{Started: true})
	must(t, err)
	appendN(t, j, "b-12", 20)
	good := copyDir(t, dir)
	for name, wal := range map[string][]byte{"an older one": older, "another journal's": mustRead(t, walOf(killed(t, 41))), "empty": nil} {
		spoiled := copyDir(t, good)
		must(t, os.WriteFile(walOf(spoiled), wal, 0o640))
		if refused := outcome(t, spoiled, 41); !strings.Contains(refused, "Nothing was changed") {
			t.Errorf("%s: %q", name, refused)
		}
	}
	spoiled := copyDir(t, good)
	must(t, os.Remove(walOf(spoiled)))
	if refused := outcome(t, spoiled, 41); !strings.Contains(refused, "Nothing was changed") {
		t.Errorf("removed: %q", refused)
	}
	if refused := outcome(t, good, 41); refused != "" {
		t.Errorf("untouched: %q", refused)
	}
}

func mustRead(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	must(t, err)
	return b
}
