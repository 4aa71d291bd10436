//go:build linux

package gateway_test

import (
	"encoding/json"
	"flag"
	"math/rand/v2"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

func TestMain(m *testing.M) {
	if config := os.Getenv(readerEnv); config != "" {
		runReader(config)
		return
	}
	// Those that run side by side mostly wait for other programs.
	if err := flag.Set("test.parallel", "3"); err != nil {
		panic(err)
	}
	goleak.VerifyTestMain(m)
}

// TestSecondDaemonOnOneJournalIsTurnedAway: it names the process that has the journal, and the first goes on.
func TestSecondDaemonOnOneJournalIsTurnedAway(t *testing.T) {
	first := newDaemon(t, daemonOptions{})
	first.start(t)
	second := gateway.New(first.cfg, gateway.Options{Hasher: littleWork()})
	err := second.Start(t.Context())
	if err == nil || !strings.Contains(err.Error(), strconv.Itoa(os.Getpid())) {
		t.Errorf("the second daemon says %v, and not which process has the journal", err)
	}
	time.Sleep(200 * time.Millisecond)
	mustWrite(t, first, 0, line(12345))
	until(t, func() bool { return first.Balances()[0].Recorded == 1 }, "the first daemon does not go on")
	first.stop(t)
}

// TestUnpluggedAndBack: each time the balance is read again, the lines on either side are not joined, and nothing is left
// behind: no descriptor, no goroutine (goleak, above). A port that comes and goes is waited for up to four seconds a time,
// so that the hundred rounds take minutes; package port has a hundred for each driver without the waits.
func TestUnpluggedAndBack(t *testing.T) {
	rounds := 6
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 100
	}
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	time.Sleep(200 * time.Millisecond)
	descriptors, goroutines := openFiles(t), 0
	for i := range rounds {
		mustWrite(t, d, 0, line(1000+i))
		until(t, func() bool { return d.Balances()[0].Recorded == uint64(i+1) }, "a weighing is not recorded")
		mustWrite(t, d, 0, []byte("     9.")) // half a line, which must not meet the next life of the port
		if err := d.cords[0].Pull(); err != nil {
			t.Fatal(err)
		}
		until(t, func() bool { return !d.Balances()[0].PortUp }, "the lost port is not noticed")
		if err := d.cords[0].Plug(); err != nil {
			t.Fatal(err)
		}
		until(t, func() bool { return d.Balances()[0].PortUp }, "the port that is back is not opened")
		if i == 0 {
			goroutines = runtime.NumGoroutine()
		}
		time.Sleep(80 * time.Millisecond) // as a person with a plug in hand takes at the least
	}
	if now := openFiles(t); now > descriptors {
		t.Errorf("%d descriptors at first, %d after %d unplugs", descriptors, now, rounds)
	}
	if now := runtime.NumGoroutine(); now > goroutines+2 {
		t.Errorf("%d goroutines after the first unplug, %d after %d", goroutines, now, rounds)
	}
	d.stop(t)
	all := weighings(t, d)
	if len(all) != rounds {
		t.Fatalf("%d weighings in the journal, %d printed", len(all), rounds)
	}
	for i, w := range all {
		if want := strings.TrimSpace(string(line(1000 + i)[:10])); w.Value.Digits != want {
			t.Errorf("weighing %d is %s, printed was %s", i+1, w.Value.Digits, want)
		}
	}
}

// TestNoiseOnOnePortDisturbsNobody: a megabyte of random bytes makes no weighing, a bounded number of entries, and leaves
// the balance beside it alone.
func TestNoiseOnOnePortDisturbsNobody(t *testing.T) {
	d := newDaemon(t, daemonOptions{balances: 2})
	d.start(t)
	time.Sleep(200 * time.Millisecond)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	noise := make([]byte, 1<<20)
	dice := rand.New(rand.NewPCG(seed, 0))
	for i := range noise {
		noise[i] = byte(dice.Uint32())
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_, _ = d.cords[0].Write(noise)
	}()
	for i := range 50 {
		mustWrite(t, d, 1, line(i))
		until(t, func() bool { return d.Balances()[1].Recorded == uint64(i+1) }, "the quiet balance is held up")
	}
	<-done
	mustWrite(t, d, 0, []byte("\r\n"))
	mustWrite(t, d, 0, line(777))
	until(t, func() bool { return d.Balances()[0].Recorded == 1 }, "the noisy balance is not read again")
	d.stop(t)
	counts := map[record.Kind]int{}
	for _, e := range entries(t, d) {
		counts[e.Kind]++
	}
	if counts[record.KindWeighing] != 51 || counts[record.KindUnread] > 40 || counts[record.KindUnreadSummary] > 3 {
		t.Errorf("entries after a megabyte of noise: %v", counts)
	}
}

// TestFullDiskStopsRecordingLoudlyAndResumes: on a full disk the live view goes on, nothing is shown as recorded that is
// not, and with space again recording resumes by itself with what waited in memory.
func TestFullDiskStopsRecordingLoudlyAndResumes(t *testing.T) {
	dir := needs.SmallDisk(t, "size=1m")
	d := newDaemon(t, daemonOptions{journal: dir})
	d.start(t)
	time.Sleep(200 * time.Millisecond)
	view := d.Live().Subscribe(1 << 14)
	defer view.Close()
	n := 0
	for limit := time.Now().Add(60 * time.Second); !d.holds("recording-stopped"); n++ {
		if time.Now().After(limit) {
			t.Fatalf("%d weighings on a disk of 1 MB, and nothing is said", n)
		}
		mustWrite(t, d, 0, line(n))
		time.Sleep(time.Millisecond)
	}
	time.Sleep(300 * time.Millisecond)
	before := d.Balances()[0]
	const during = 100
	for i := range during {
		mustWrite(t, d, 0, line(n+i))
	}
	until(t, func() bool { return d.Balances()[0].Frames >= before.Frames+during }, "the live view does not go on while the disk is full")
	if now := d.Balances()[0]; now.Recorded != before.Recorded {
		t.Errorf("%d weighings were shown as recorded while the disk was full", now.Recorded-before.Recorded)
	}
	remount(t, dir, "size=64m")
	until(t, func() bool { return d.Balances()[0].Recorded == uint64(n+during) && !d.holds("recording-stopped") },
		"recording does not resume by itself")
	d.stop(t)
	inJournal := map[string]bool{}
	for _, w := range weighings(t, d) {
		inJournal[w.ID] = true
	}
	if len(inJournal) != n+during {
		t.Errorf("%d weighings in the journal, %d printed", len(inJournal), n+during)
	}
	for len(view.C) > 0 {
		if r := <-view.C; r.Recorded != "" && !inJournal[r.Recorded] {
			t.Errorf("%s was shown as recorded and is not in the journal", r.Recorded)
		}
	}
}

func remount(t *testing.T, dir, options string) {
	t.Helper()
	if out, err := exec.Command("mount", "-o", "remount,"+options, dir).CombinedOutput(); err != nil {
		t.Fatalf("remount: %v %s", err, out)
	}
}

func mustWrite(t *testing.T, d *daemon, balance int, b []byte) {
	t.Helper()
	if _, err := d.cords[balance].Write(b); err != nil {
		t.Fatal(err)
	}
}

func openFiles(t *testing.T) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

func entries(t *testing.T, d *daemon) (list []record.Entry) {
	t.Helper()
	err := journal.Scan(t.Context(), d.cfg.Journal.Folder, 0, func(e record.Entry) error {
		list = append(list, e)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func weighings(t *testing.T, d *daemon) (list []record.Weighing) {
	t.Helper()
	for _, e := range entries(t, d) {
		if e.Kind != record.KindWeighing {
			continue
		}
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			t.Fatal(err)
		}
		list = append(list, w)
	}
	return list
}
