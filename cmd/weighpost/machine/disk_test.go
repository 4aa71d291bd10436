//go:build linux

package machine

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// TestADiskWhoseErrorsHeal lets every write to the journal's disk fail for a while, by the kernel's own dm-flakey, and
// heals it. What was delivered was acknowledged, and must be in the journal; recording resumes by itself or says what to do.
func TestADiskWhoseErrorsHeal(t *testing.T) {
	image := t.TempDir() + "/disk"
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 64<<20))
	if out, err := exec.Command("mkfs.ext4", "-qF", image).CombinedOutput(); err != nil {
		t.Fatalf("mkfs.ext4: %v %s", err, out)
	}
	c := boot(t, `
site: seed-bank
journal: {folder: /disk/journal}
page: {listen: "127.0.0.1:8467"}
balances: [{id: b-4, port: {address: /dev/balance/adapter-b4-0}, layout: fixed-line.yaml, record: printed}]
sinks: [{id: folder, kind: files, folder: /out}]
`, []string{"-device", usbPorts, "-chardev", lineFor("b4"), "-drive", "file=" + image + ",format=raw,if=virtio"}, nil)
	sectors := strings.Join(c.do(t, "cat /sys/class/block/vda/size"), "")
	whole := "0 " + sectors + " linear /dev/vda 0"
	broken := "0 " + sectors + " flakey /dev/vda 0 0 3600 1 error_writes"
	c.do(t, fmt.Sprintf("dmsetup create --noudevsync --noudevrules disk --table '%s'; mount /dev/dm-0 /disk", whole))
	turn := func(table string) {
		c.do(t, fmt.Sprintf("dmsetup load disk --table '%s' && dmsetup suspend --nolockfs --noflush disk && dmsetup resume --noudevsync --noudevrules disk", table))
	}
	c.start(t)
	b4 := c.plug(t, "b4")
	c.said(t, "port open", 1)
	time.Sleep(500 * time.Millisecond)
	printed, kept := 0, 0
	print := func() {
		printed++
		b4.print(t, gram(1000*printed+345))
	}
	for round := range 3 {
		for range 20 {
			print()
		}
		kept += 20
		c.recorded(t, kept)
		c.do(t, ": >/tmp/log")
		turn(broken)
		for range 10 {
			print()
		}
		c.said(t, "recording is stopped", 1)
		delivered := strings.Join(c.do(t, "find /out -name '*.json' | wc -l"), "")
		t.Logf("round %d: %s delivered; %s", round+1, delivered, c.lastSaid(t, "recording is stopped"))
		time.Sleep(2 * time.Second)
		turn(whole)
		if _, status := c.try(t, "ok=1; for i in $(seq 80); do grep -q 'recording works again' /tmp/log && ok=0 && break; sleep 0.1; done; [ $ok = 0 ]"); status == 0 {
			t.Logf("round %d: healed, and recording resumed by itself", round+1)
			kept += 10
		} else {
			t.Logf("round %d: healed, and recording does not resume: %s", round+1, c.lastSaid(t, "recording is stopped"))
			c.restart(t)
		}
		c.recorded(t, kept)
	}
	c.stop(t, "/disk/journal")
	c.judgeDisk(t, printed, kept)
}

// judgeDisk holds the journal to what was delivered, byte for byte, and to the order in which it was printed.
func (c *computer) judgeDisk(t *testing.T, printed, kept int) {
	t.Helper()
	inJournal, last := map[string]string{}, ""
	for _, e := range c.entries(t, "/disk/journal") {
		if e.Kind != record.KindWeighing {
			continue
		}
		w := body[record.Weighing](t, e)
		if digits := fmt.Sprintf("%10s", w.Value.Digits); digits <= last {
			t.Errorf("%s follows %s", digits, last)
		} else {
			last = digits
		}
		inJournal[e.ID] = string(e.JSON)
	}
	delivered := c.do(t, "for f in $(find /out -name '*.json'); do cat $f; echo; done | grep .")
	for _, line := range delivered {
		e, err := record.ParseEntry([]byte(line))
		must(t, err)
		if inJournal[e.ID] != line {
			t.Errorf("%s was delivered, and the journal has %q", e.ID, inJournal[e.ID])
		}
	}
	if len(delivered) != len(inJournal) || len(inJournal) < kept {
		t.Errorf("%d weighings in the journal, %d delivered, %d known to be kept", len(inJournal), len(delivered), kept)
	}
	t.Logf("%d lines printed, %d in the journal, %d delivered", printed, len(inJournal), len(delivered))
}

func (c *computer) lastSaid(t *testing.T, text string) string {
	t.Helper()
	return strings.Join(c.do(t, fmt.Sprintf("grep '%s' /tmp/log | tail -1 | cut -c1-400", text)), "")
}

// restart does what weighpost's sentence says.
func (c *computer) restart(t *testing.T) {
	t.Helper()
	c.do(t, "kill -TERM $(cat /tmp/pid)")
	c.wait(t, "! kill -0 $(cat /tmp/pid) 2>/dev/null", time.Minute)
	c.do(t, "umount /disk && mount /dev/dm-0 /disk")
	c.do(t, ": >/tmp/log")
	c.start(t)
	c.said(t, "port open", 1)
	time.Sleep(500 * time.Millisecond)
}
