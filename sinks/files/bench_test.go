package files

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// BenchmarkDeliver: weighings on this machine's disk, against the same calls with package os alone. each: a file for each of a batch of
// 64, written beside its place, flushed and renamed, and then each folder flushed once. added: a batch of 256 lines at the end of one
// file, flushed once, so that both promise the same; the bare loop knows its file, and ours reads from each entry which month's it is.
func BenchmarkDeliver(b *testing.B) {
	b.Run("each", func(b *testing.B) {
		dir := b.TempDir()
		sinktest.Against(b, 64, benchSink(b, JSON, "{balance}/{id}.json"), func(entries []record.Entry) error { return bareFiles(dir, entries) })
	})
	b.Run("added", func(b *testing.B) {
		f, err := os.Create(filepath.Join(b.TempDir(), "all.ndjson"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		sinktest.Against(b, 256, benchSink(b, NDJSON, "{month}.ndjson"), func(entries []record.Entry) error {
			var all []byte
			for _, e := range entries {
				all = append(append(all, e.JSON...), '\n')
			}
			if _, err := f.Write(all); err != nil {
				return err
			}
			return f.Sync()
		})
	})
}

func benchSink(b *testing.B, kind, name string) *Sink {
	c := *Default()
	c.Folder, c.Format, c.Name = b.TempDir(), kind, name
	s, err := New(c, "shelf", sinks.Env{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	return s
}

func bareFiles(dir string, entries []record.Entry) error {
	folders := map[string]bool{}
	for _, e := range entries {
		in := filepath.Join(dir, e.Balance)
		if !folders[in] {
			folders[in] = true
			if err := os.MkdirAll(in, 0o755); err != nil {
				return err
			}
		}
		if err := bareFile(in, format.SafeName(e.ID)+".json", e.JSON); err != nil {
			return err
		}
	}
	for in := range folders {
		d, err := os.Open(in)
		if err != nil {
			return err
		}
		if err := errors.Join(d.Sync(), d.Close()); err != nil {
			return err
		}
	}
	return nil
}

func bareFile(dir, name string, body []byte) error {
	temp := filepath.Join(dir, "temp.part")
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(temp, filepath.Join(dir, name))
}
