package bundle_test

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/bundle"
	"weighpost/gateway/record"
)

// parts reads the parts of a bundle.
func parts(t testing.TB, b []byte) (names []string, content map[string][]byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	content = map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		names, content[f.Name] = append(names, f.Name), text
	}
	return names, content
}

// TestARunIsBundledWithAllThatItRestsOn holds what is inside against what the test wrote, and the same again gives the same bytes.
func TestARunIsBundledWithAllThatItRestsOn(t *testing.T) {
	l := day(t)
	b := l.pack(bundle.Of{Run: signedRun})
	names, content := parts(t, b)
	var want []byte
	var kinds []string
	for _, e := range l.all {
		of := bundle.Names(e, signedRun) || e.Kind == record.KindConfigured || e.Kind == record.KindProcedureChanged
		if of {
			want = append(append(want, e.JSON...), '\n')
			kinds = append(kinds, string(e.Kind))
		}
	}
	if !bytes.Equal(content["entries.ndjson"], want) || len(kinds) != 16 {
		t.Errorf("%d entries were expected: %s\ngot %s", len(kinds), kinds, content["entries.ndjson"])
	}
	report := string(content["report.html"])
	for _, text := range []string{"Run r-7qx3-000002: approved", "Bela &lt;b&gt;Sol&lt;/b&gt;", "2026-11-30 10:00:", "Meaning: <strong>reviewed</strong>", "spilt", "99.0000",
		"before it was corrected", "LOT-1002 &lt;script&gt;"} {
		if !strings.Contains(report, text) {
			t.Errorf("the report does not say %q", text)
		}
	}
	if strings.Contains(report, "<script") || strings.Contains(report, "<b>Sol") {
		t.Error("the report holds what an entry says as if it were its own")
	}
	if !slices.Contains(names, "kept/"+keptSum) || string(content["kept/"+keptSum]) != "a picture of a slip" || string(content["kept/"+paperSum]) != "a report on paper" ||
		!slices.Contains(names, "schemas/signature.schema.json") {
		t.Errorf("parts: %q", names)
	}
	f := verify(t, b, l.key())
	if !f.Valid || f.About.Own != 14 || !slices.ContainsFunc(f.Shown, func(s string) bool { return strings.Contains(s, "holds: it covers exactly the") }) {
		t.Errorf("%+v", f)
	}
	l.add(l.weighing("", "LOT-1", "1.0000"))
	l.sign()
	if again := l.pack(bundle.Of{Run: signedRun}); !bytes.Equal(again, b) {
		t.Error("the same run gives other bytes when the journal went on")
	}
}

const keptSum = "5b3ec026614e2a2e0a8139046192ead3e5d51c34768f6000b692e2598e2f6259"  // SHA-256 of the picture, by Python
const paperSum = "8e8614715db60264d814c13384a5a9e82b0bc11433f51e3ea45289e8c6c4c12f" // and of the report

// TestAllAndSpansAreWhole: a span by sequence and by time, and all of it.
func TestAllAndSpansAreWhole(t *testing.T) {
	l := day(t)
	last := l.all[len(l.all)-1].Seq
	for name, c := range map[string]struct {
		of          bundle.Of
		first, last uint64
	}{
		"all":         {bundle.Of{All: true}, 1, last},
		"by sequence": {bundle.Of{First: 5, Last: 17}, 5, 17},
		"one entry":   {bundle.Of{First: 6, Last: 6}, 6, 6},
		"from on":     {bundle.Of{First: last - 2}, last - 2, last},
		"by time":     {bundle.Of{From: time.Date(2026, 11, 30, 9, 0, 5, 0, time.UTC), To: time.Date(2026, 11, 30, 9, 0, 9, 0, time.UTC)}, 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			b := l.pack(c.of)
			f := verify(t, b, l.key())
			if !f.Valid || c.last > 0 && (f.About.First != c.first || f.About.Last != c.last) || f.About.Entries != f.About.Last-f.About.First+1 {
				t.Errorf("%+v", f)
			}
			if c.of.All && !slices.ContainsFunc(f.Shown, func(s string) bool { return strings.HasPrefix(s, "The 2 checkpoints") }) {
				t.Errorf("%q", f.Shown)
			}
		})
	}
}

// TestWhatCannotBeBundledIsRefused with a sentence.
func TestWhatCannotBeBundledIsRefused(t *testing.T) {
	l := day(t)
	l.add(l.weighing("r-7qx3-000009", "LOT-1", "1.0000"))
	for want, of := range map[string]bundle.Of{
		"say what to bundle":           {},
		"one thing at a time":          {All: true, Run: signedRun},
		"no entry of a run":            {Run: "r-7qx3-000008"},
		"no checkpoint covers entry":   {Run: "r-7qx3-000009"},
		"ends before it begins":        {First: 7, Last: 6},
		"reaches beyond":               {First: 7, Last: 6000},
		"no entry was stamped":         {From: time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)},
		"either by time or by seq":     {From: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Last: 6},
		"has no entry of a run \"17\"": {Run: "17"},
	} {
		_, err := bundle.Open(context.Background(), bundle.Order{Dir: l.dir, Of: of})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, and not %q", of, err, want)
		}
	}
	var unsigned *bundle.Unsigned
	if _, err := bundle.Open(context.Background(), bundle.Order{Dir: l.dir, Of: bundle.Of{Run: "r-7qx3-000009"}}); !errors.As(err, &unsigned) {
		t.Errorf("%v", err)
	}
}

// TestABundleIsMadeWhileTheJournalIsWritten: each is whole, up to a checkpoint of its own.
func TestABundleIsMadeWhileTheJournalIsWritten(t *testing.T) {
	l := newLab(t)
	l.perform("r-7qx3-000001", "LOT-1001", "10.0001")
	l.sign()
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for n := 0; ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			_, err := l.j.Append(context.Background(), &record.Weighing{Balance: balance, Value: record.Value{Digits: "1.0000", Unit: "g"}, Software: record.Software{Version: "test"}})
			if err == nil && n%5 == 0 {
				_, _, err = l.j.Checkpoint(context.Background())
			}
			if err != nil {
				t.Error(err)
				return
			}
		}
	}()
	sizes := map[uint64]bool{}
	for n := 0; n < 200 && len(sizes) < 5; n++ {
		f := verify(t, l.pack(bundle.Of{All: true}), l.key())
		if sizes[f.About.Size] = true; !f.Valid {
			t.Errorf("%+v", f)
		}
	}
	close(stop)
	<-done
	if len(sizes) < 5 {
		t.Errorf("the journal did not move: %v", sizes)
	}
}
