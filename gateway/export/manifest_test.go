package export_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/export"
	"weighpost/gateway/index"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// mixed is a journal with acts and weighings.
func mixed(t testing.TB) string {
	bodies := acts()
	r := rand.New(rand.NewPCG(3, 3))
	for i := range 40 {
		digits, unit := random(r)
		bodies = append(bodies, weighing(i, digits, unit, hostile()[i%len(hostile())]))
	}
	return lab(t, bodies...)
}

// toFile exports a journal to a file in a folder of its own.
func toFile(t testing.TB, dir string, r export.Request) (name string, m export.Manifest) {
	t.Helper()
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	name = filepath.Join(t.TempDir(), "november."+string(r.Format))
	if m, err = export.ToFile(context.Background(), src, r, name, false); err != nil {
		t.Fatal(err)
	}
	return name, m
}

// TestTheManifestSaysWhatIsInTheFile holds each of its numbers against what the test finds out itself.
func TestTheManifestSaysWhatIsInTheFile(t *testing.T) {
	t.Parallel()
	dir := mixed(t)
	r := request(export.NDJSON)
	r.Filter = index.Filter{Kinds: []record.Kind{record.KindWeighing}, Balance: "b-12"}
	name, _ := toFile(t, dir, r)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	m, err := export.ReadManifest(name + export.ManifestSuffix)
	if err != nil {
		t.Fatal(err)
	}
	ids, leaves, n := sha256.New(), sha256.New(), uint64(0)
	for l := range bytes.Lines(b) {
		raw := bytes.TrimSuffix(l, []byte("\n"))
		e, err := record.ParseEntry(raw)
		if err != nil || e.Balance != "b-12" || e.Kind != record.KindWeighing {
			t.Fatalf("%s, %v", l, err)
		}
		ids.Write([]byte(e.ID + "\n"))
		leaf := sha256.Sum256(append([]byte{0}, raw...)) // RFC 6962, section 2.1
		leaves.Write(leaf[:])
		n++
	}
	sum := sha256.Sum256(b)
	if m.SHA256 != hex.EncodeToString(sum[:]) || m.Bytes != int64(len(b)) || m.Entries != n || n == 0 || m.Head != 53 || m.LeftOut != 53-n ||
		m.IDs != hex.EncodeToString(ids.Sum(nil)) || m.Leaves != hex.EncodeToString(leaves.Sum(nil)) {
		t.Errorf("%+v", m)
	}
	if m.Filter != `entries with kind weighing, balance "b-12"` || m.Query != "balance=b-12&kind=weighing" || m.Site != "north-lab" ||
		m.Origin != "weighpost/north-lab/"+m.Incarnation || m.Version != "test" || m.Made.String() != "2026-11-25T13:00:00.000000Z" {
		t.Errorf("%+v", m)
	}
	if c, err := proof.Peek([]byte(m.Checkpoint)); err != nil || c.Size != 53 || m.Signed != 53 || m.Beyond != 0 {
		t.Errorf("%+v %v", c, err)
	}
	if names, _ := filepath.Glob(filepath.Join(filepath.Dir(name), "*")); len(names) != 2 {
		t.Errorf("beside file and manifest there is %v", names)
	}
}

// TestTheSameRequestGivesTheSameFile byte for byte, in every format.
func TestTheSameRequestGivesTheSameFile(t *testing.T) {
	t.Parallel()
	dir := mixed(t)
	for _, f := range export.Formats() {
		a, ma := out(t, dir, request(export.Format(f)))
		b, mb := out(t, dir, request(export.Format(f)))
		if !bytes.Equal(a, b) || ma != mb || len(a) == 0 {
			t.Errorf("%s differs from one time to the next", f)
		}
	}
}

func key(t testing.TB, dir string) export.Check {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	k, err := proof.ParseKey(string(text))
	if err != nil {
		t.Fatal(err)
	}
	src, err := export.Open(context.Background(), dir)
	if err != nil {
		t.Fatal(err)
	}
	return export.Check{Key: k, Journal: src, Version: "test"}
}

// TestValidateFindsWhatWasChanged in the file, in the manifest, or in the journal.
func TestValidateFindsWhatWasChanged(t *testing.T) {
	t.Parallel()
	dir := mixed(t)
	other := lab(t, acts()...)
	filtered := request(export.CSV)
	filtered.Filter = index.Filter{Kinds: []record.Kind{record.KindWeighing}}
	for _, c := range []struct {
		name  string
		r     export.Request
		spoil func(file []byte, m *export.Manifest, c *export.Check) []byte
		fault string // "": valid
	}{
		{"NDJSON, all", request(export.NDJSON), nil, ""},
		{"CSV, filtered", filtered, nil, ""},
		{"Parquet", request(export.Parquet), nil, ""},
		{"PDF", request(export.PDF), nil, ""},
		{"a digit", filtered, func(b []byte, m *export.Manifest, _ *export.Check) []byte {
			return bytes.Replace(b, []byte(",net,"), []byte(",nat,"), 1)
		}, "not the one that the manifest is of"},
		{"cut off", request(export.PDF), func(b []byte, m *export.Manifest, _ *export.Check) []byte { return b[:len(b)/2] }, "it is not whole, or another"},
		{"a digit, and the manifest made to fit", filtered, func(b []byte, m *export.Manifest, _ *export.Check) []byte {
			b = bytes.Replace(b, []byte(",net,"), []byte(",nat,"), 1)
			m.SHA256 = sumOf(b)
			return b
		}, "For the same request the journal gives another file"},
		{"an entry taken out, and the manifest made to fit", request(export.NDJSON), func(b []byte, m *export.Manifest, _ *export.Check) []byte {
			lines := bytes.SplitAfter(b, []byte("\n"))
			b = bytes.Join(slices.Delete(lines, 20, 21), nil)
			refit(m, b)
			return b
		}, "the journal gives 53 other entries"},
		{"an entry edited with no journal at hand, and the manifest made to fit", request(export.NDJSON),
			func(b []byte, m *export.Manifest, c *export.Check) []byte {
				b = bytes.Replace(b, []byte(`"kind":"net"`), []byte(`"kind":"gro"`), 1)
				refit(m, b)
				c.Journal = nil
				return b
			}, "are not those that were signed"},
		{"the filter", filtered, func(b []byte, m *export.Manifest, _ *export.Check) []byte {
			m.Query, m.Filter = "", "all entries"
			return b
		}, "53 other entries"},
		{"only the words of the filter", filtered, func(b []byte, m *export.Manifest, _ *export.Check) []byte { m.Filter = "all entries"; return b }, "says of its filter what is not so"},
		{"the count of what was left out", filtered, func(b []byte, m *export.Manifest, _ *export.Check) []byte { m.LeftOut = 0; return b }, "left out 13 entries"},
		{"the checkpoint", request(export.CSV), func(b []byte, m *export.Manifest, _ *export.Check) []byte {
			m.Checkpoint = strings.Replace(m.Checkpoint, "\n53\n", "\n52\n", 1)
			return b
		}, "does not hold against the key"},
		{"another journal", request(export.CSV), func(b []byte, m *export.Manifest, c *export.Check) []byte {
			c.Journal = key(t, other).Journal
			return b
		}, "it is another journal, or an older copy"},
		{"another key", request(export.CSV), func(b []byte, m *export.Manifest, c *export.Check) []byte { c.Key = key(t, other).Key; return b }, "does not hold against the key"},
	} {
		t.Run(c.name, func(t *testing.T) {
			name, m := toFile(t, dir, c.r)
			check := key(t, dir)
			if c.spoil != nil {
				b, err := os.ReadFile(name)
				if err == nil {
					err = os.WriteFile(name, c.spoil(b, &m, &check), 0o600)
				}
				if err == nil {
					err = export.WriteManifest(name+export.ManifestSuffix, &m)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			v, err := export.Validate(context.Background(), name+export.ManifestSuffix, "", check)
			if err != nil {
				t.Fatal(err)
			}
			if v.Valid != (c.fault == "") || c.fault != "" && !strings.Contains(strings.Join(v.Faults, "\n"), c.fault) {
				t.Errorf("%+v", v)
			}
		})
	}
}

func sumOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// refit makes a manifest fit another NDJSON file, as whoever forges both would.
func refit(m *export.Manifest, b []byte) {
	ids, leaves := sha256.New(), sha256.New()
	m.Entries = 0
	for l := range bytes.Lines(b) {
		raw := bytes.TrimSuffix(l, []byte("\n"))
		var head struct{ ID string }
		if json.Unmarshal(raw, &head) != nil {
			continue
		}
		ids.Write([]byte(head.ID + "\n"))
		leaf := tlog.RecordHash(raw)
		leaves.Write(leaf[:])
		m.Entries++
	}
	m.SHA256, m.Bytes, m.LeftOut = sumOf(b), int64(len(b)), m.Head-m.Entries
	m.IDs, m.Leaves = hex.EncodeToString(ids.Sum(nil)), hex.EncodeToString(leaves.Sum(nil))
}

// TestAnotherVersionSaysThatItCannotTell where it writes entries in other words.
func TestAnotherVersionSaysThatItCannotTell(t *testing.T) {
	t.Parallel()
	dir := mixed(t)
	name, m := toFile(t, dir, request(export.CSV))
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	b = bytes.Replace(b, []byte("port lost"), []byte("port gone"), 1)
	m.SHA256, m.Bytes = sumOf(b), int64(len(b))
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := export.WriteManifest(name+export.ManifestSuffix, &m); err != nil {
		t.Fatal(err)
	}
	check := key(t, dir)
	check.Version = "later"
	v, err := export.Validate(context.Background(), name+export.ManifestSuffix, "", check)
	if err != nil || !v.Valid || !strings.Contains(strings.Join(v.NotShown, "\n"), "made by weighpost test, and this is later") {
		t.Errorf("%+v %v", v, err)
	}
}
