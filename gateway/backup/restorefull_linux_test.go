package backup

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/disktest"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// The disk is full at each of many points of a restore over a journal: the folder is as it was, and when there is space the
// same restore succeeds.
func TestARestoreOnAFullDiskLeavesTheFolderAsItWas(t *testing.T) {
	t.Parallel()
	disk := disktest.New(t, disktest.Options{Bytes: 16 << 20})
	dir := filepath.Join(disk.Dir, "journal")
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{TB: t, dir: dir, folder: t.TempDir(), journal: j}
	var many []record.Body
	for n := range 1500 {
		many = append(many, &record.Weighing{Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: fmt.Sprintf("%d.5", n), Unit: "g"}})
	}
	if _, err := j.Append(t.Context(), many...); err != nil {
		t.Fatal(err)
	}
	f := b.open(b.create(b.order()))
	b.weigh(1)
	o := b.restoreOrder(dir)
	o.Replace, o.Reason = true, "a drill"
	before := recorded(t, dir, 0)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	refused := 0
	for _, left := range []int64{0, 40 << 10, 200 << 10, 500 << 10, 900 << 10, 1300 << 10} {
		filler := fill(t, disk.Dir, left)
		_, err := f.Restore(t.Context(), o)
		if err == nil {
			t.Logf("with %d bytes left it succeeds", left)
			break
		}
		refused++
		if !strings.Contains(err.Error(), "full") && !strings.Contains(err.Error(), "no space left") {
			t.Errorf("with %d bytes left: %v", left, err)
		}
		if err := os.Remove(filler); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(recorded(t, dir, 0), before) || !journaltest.Verify(t, dir).Verified {
			t.Fatalf("with %d bytes left the journal was changed", left)
		}
		if list, _ := filepath.Glob(dir + ".*"); len(list) > 0 {
			t.Errorf("with %d bytes left it left behind %q", left, list)
		}
	}
	if refused < 3 {
		t.Errorf("the disk was full %d times: these fillers do not reach the restore", refused)
	}
	done, err := f.Restore(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if r := journaltest.Verify(t, dir); r.Entries != 1502 || !slices.Equal(recorded(t, done.Kept, 0), before) {
		t.Errorf("restored %+v", r)
	}
}

// fill takes the space of a disk but for so many bytes.
func fill(t *testing.T, dir string, left int64) string {
	t.Helper()
	name := filepath.Join(dir, "filler")
	file, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	chunk, size := make([]byte, 64<<10), int64(0)
	for {
		n, err := file.Write(chunk)
		if size += int64(n); err != nil {
			break
		}
	}
	if err := errors.Join(file.Truncate(max(0, size-left)), file.Sync()); err != nil {
		t.Fatal(err)
	}
	return name
}
