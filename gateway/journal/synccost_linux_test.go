package journal

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// BenchmarkSyncCost is what one durable write costs the processors, whoever asks for it: the head file's (a block overwritten where it
// lies), the straightforward script's (a row appended), and ways that were tried in place of the first. They wait two milliseconds
// between each other, as commits do. What the pause costs by itself is given too, and is in the others.
func BenchmarkSyncCost(b *testing.B) {
	row, block := make([]byte, 60), make([]byte, headBlock)
	nothing := func(*os.File, int) error { return nil }
	for _, c := range []struct {
		name  string
		flags int
		do    func(f *os.File, i int) error
	}{
		{"pause", 0, nothing},
		{"head", 0, func(f *os.File, i int) error {
			if _, err := f.WriteAt(block[:headSlot], int64(i%2)*headBlock); err != nil {
				return err
			}
			return syncData(f)
		}},
		{"O_DSYNC", unix.O_DSYNC, func(f *os.File, i int) error {
			_, err := f.WriteAt(block[:headSlot], int64(i%2)*headBlock)
			return err
		}},
		{"appended", 0, func(f *os.File, i int) error {
			if _, err := f.WriteAt(row, 2*headBlock+int64(i)*int64(len(row))); err != nil {
				return err
			}
			return f.Sync()
		}},
	} {
		b.Run(c.name, func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "file")
			if err := writeWhole(osDisk{}, name, make([]byte, 2*headBlock), 0o600); err != nil {
				b.Fatal(err)
			}
			f, err := os.OpenFile(name, os.O_RDWR|c.flags, 0)
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			before := cpu(b)
			for i := range b.N {
				if err := c.do(f, i); err != nil {
					b.Fatal(err)
				}
				time.Sleep(2 * time.Millisecond)
			}
			b.ReportMetric(float64((cpu(b)-before).Microseconds())/float64(b.N), "CPU-µs/op")
		})
	}
}
