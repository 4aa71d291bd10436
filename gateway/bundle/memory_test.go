package bundle_test

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"weighpost/gateway/bundle"
	"weighpost/gateway/record"
)

// peak is how much memory is in use at most, looked at while bytes pass.
type peak struct {
	every, passed, looks int
	most                 uint64
}

func (p *peak) pass(n int) {
	if p.passed += n; p.passed < p.every {
		return
	}
	p.passed = 0
	p.look()
}

func (p *peak) look() {
	p.looks++
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	p.most = max(p.most, m.HeapAlloc)
}

func (p *peak) Write(b []byte) (int, error) {
	p.pass(len(b))
	return len(b), nil
}

// watched is a file that is looked at while it is read.
type watched struct {
	*os.File
	peak *peak
}

func (w watched) ReadAt(b []byte, off int64) (int, error) {
	w.peak.pass(len(b))
	return w.File.ReadAt(b, off)
}

// bundled is a bundle of all of a journal with so many weighings: how many bytes it has, and how much memory it took to write and to verify.
func bundled(t *testing.T, n int) (size int64, write, verify uint64) {
	t.Helper()
	l := newLab(t)
	for done := 0; done < n; done += 1000 {
		some := make([]record.Body, 1000)
		for i := range some {
			some[i] = l.weighing("", "LOT-1001", "12.3450")
		}
		if _, err := l.j.Append(t.Context(), some...); err != nil {
			t.Fatal(err)
		}
	}
	l.sign()
	name := filepath.Join(t.TempDir(), "all.zip")
	p, err := bundle.Open(t.Context(), bundle.Order{Dir: l.dir, Of: bundle.Of{All: true}, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := &peak{every: max(1<<12, n/12)}
	w.look()
	if err := p.Write(t.Context(), io.MultiWriter(f, w)); err != nil {
		t.Fatal(err)
	}
	if size, err = f.Seek(0, io.SeekCurrent); err != nil {
		t.Fatal(err)
	}
	r := &peak{every: max(1<<13, n/6)}
	r.look()
	found, err := bundle.Verify(context.Background(), watched{f, r}, size, l.key(), "test")
	if err != nil || !found.Valid || found.About.Entries < uint64(n) {
		t.Fatalf("%v %+v", err, found)
	}
	if w.looks < 3 || r.looks < 3 {
		t.Fatalf("looked at %d and %d times only", w.looks, r.looks)
	}
	return size, w.most, r.most
}

// TestABundleOfALongSpanTakesNoMoreMemory: to write and to verify one takes no more for many entries than for few. The hashes of its tree are read from
// the journal one by one, or made as the entries pass: none is kept.
func TestABundleOfALongSpanTakesNoMoreMemory(t *testing.T) {
	many := 6_000
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		many = 200_000
	}
	_, write, verify := bundled(t, 1_000)
	size, writeMany, verifyMany := bundled(t, many)
	t.Logf("%d entries, %.1f MiB: in use at most %.1f MiB to write and %.1f MiB to verify; of 1000 entries %.1f and %.1f MiB", many, mib(uint64(size)), mib(writeMany),
		mib(verifyMany), mib(write), mib(verify))
	const more = 4 << 20 // a hash a leaf alone would be 6.4 MB for 200,000
	if writeMany > write+more || verifyMany > verify+more {
		t.Errorf("it grows with the entries")
	}
}

func mib(n uint64) float64 { return float64(n) / (1 << 20) }
