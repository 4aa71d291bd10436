package bundle_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/bundle"
	"weighpost/gateway/needs"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// repack makes an archive of parts. With sums, SHA256SUMS is made to fit: as somebody does who changes a part on purpose.
func repack(t testing.TB, names []string, content map[string][]byte, sums bool) []byte {
	t.Helper()
	var b bytes.Buffer
	var list strings.Builder
	z := zip.NewWriter(&b)
	for _, name := range names {
		text := content[name]
		if name == "SHA256SUMS" && sums {
			text = []byte(list.String())
		}
		w, err := z.Create(name)
		if err == nil {
			_, err = w.Write(text)
		}
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(text)
		fmt.Fprintf(&list, "%s  %s\n", hex.EncodeToString(sum[:]), name)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// attack is a bundle that must not pass.
type attack struct {
	name   string
	bundle []byte
	key    note.Verifier // nil: the journal's own
	// words: only a program that can write the report again finds it. Without: everybody does.
	words bool
}

// attacks makes them of a bundle.
func attacks(t testing.TB, b []byte) (list []attack) {
	names, content := parts(t, b)
	with := func(part string, text []byte) map[string][]byte {
		changed := map[string][]byte{}
		for n, c := range content {
			changed[n] = c
		}
		changed[part] = text
		return changed
	}
	for _, name := range names {
		text := slices.Clone(content[name])
		if len(text) == 0 {
			continue
		}
		text[len(text)/2] ^= 1
		list = append(list, attack{name: "a byte of " + name, bundle: repack(t, names, with(name, text), false)})
		if name != "SHA256SUMS" {
			words := name == "report.html" || name == "README.txt" || strings.HasPrefix(name, "schemas/")
			list = append(list, attack{name: "a byte of " + name + ", and its sum", bundle: repack(t, names, with(name, text), true), words: words})
		}
		if name != "entries.ndjson" {
			rest := slices.DeleteFunc(slices.Clone(names), func(n string) bool { return n == name })
			list = append(list, attack{name: "without " + name, bundle: repack(t, rest, content, true), words: strings.HasPrefix(name, "schemas/") || name == "report.html" || name == "README.txt"})
		}
	}
	lines := bytes.SplitAfter(content["entries.ndjson"], []byte("\n"))
	lines = lines[:len(lines)-1]
	entries := func(what string, lines ...[]byte) {
		list = append(list, attack{name: what, bundle: repack(t, names, with("entries.ndjson", bytes.Join(lines, nil)), true)})
	}
	entries("an entry removed", slices.Delete(slices.Clone(lines), 4, 5)...)
	entries("the last entry removed", lines[:len(lines)-1]...)
	entries("an entry twice", slices.Insert(slices.Clone(lines), 4, lines[4])...)
	swapped := slices.Clone(lines)
	swapped[3], swapped[4] = swapped[4], swapped[3]
	entries("two entries swapped", swapped...)
	entries("a digit of a weighing", bytes.Replace(content["entries.ndjson"], []byte(`"digits":"12.3450"`), []byte(`"digits":"12.3950"`), 1))
	entries("the name of a signature", bytes.Replace(content["entries.ndjson"], []byte(`"name":"Bela`), []byte(`"name":"Dora`), 1))
	entries("the line ends of another system", bytes.ReplaceAll(content["entries.ndjson"], []byte("\n"), []byte("\r\n")))
	list = append(list, attack{name: "a part that no bundle has", bundle: repack(t, append([]string{"../../x"}, names...), with("../../x", []byte("x")), true)},
		attack{name: "a kept file that nothing names", bundle: repack(t, slices.Insert(slices.Clone(names), len(names)-2, "kept/"+strings.Repeat("0", 64)), with("kept/"+strings.Repeat("0", 64), []byte("x")), true)},
		attack{name: "a part twice", bundle: repack(t, slices.Insert(slices.Clone(names), 1, "README.txt"), content, true)},
		attack{name: "another key", bundle: b, key: strangeKey(t)}, attack{name: "another key of the same name", bundle: b, key: sameName(t, content["key.txt"])})
	return list
}

func strangeKey(t testing.TB) note.Verifier { return newKey(t, "weighpost/elsewhere/xxxxx") }

func sameName(t testing.TB, key []byte) note.Verifier {
	name, _, _ := strings.Cut(string(key), "+")
	return newKey(t, name)
}

func newKey(t testing.TB, name string) note.Verifier {
	t.Helper()
	public, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	text, err := note.NewEd25519VerifierKey(name, public)
	if err != nil {
		t.Fatal(err)
	}
	k, err := proof.ParseKey(text)
	if err != nil {
		t.Fatal(err)
	}
	made[proof.KeyID(k)] = text
	return k
}

// made are the texts of the keys that newKey made, by their ids.
var made = map[string]string{}

// TestEveryAttackOnABundleIsFound by weighpost itself.
func TestEveryAttackOnABundleIsFound(t *testing.T) {
	l := day(t)
	for name, of := range map[string]bundle.Of{"run": {Run: signedRun}, "all": {All: true}} {
		list := attacks(t, l.pack(of))
		if len(list) < 50 {
			t.Fatalf("only %d attacks", len(list))
		}
		for _, a := range list {
			key := a.key
			if key == nil {
				key = l.key()
			}
			if f := verify(t, a.bundle, key); f.Valid || len(f.Faults) == 0 {
				t.Errorf("%s: %s is not found: %+v", name, a.name, f)
			}
		}
	}
}

// TestAnotherLanguageVerifiesABundle runs a program in Python, which shares no code with weighpost and was written from the manual's
// page alone, on bundles of a real journal, after its key was changed too, and on copies that were tampered with.
func TestAnotherLanguageVerifiesABundle(t *testing.T) {
	needs.Programs(t, "python3")
	l := day(t)
	oldKey := l.keyText()
	run := l.pack(bundle.Of{Run: signedRun})
	cases := []pythonCase{{"the run", run, oldKey, "covers exactly the 11 entries of r-7qx3-000002 before it"}}
	for _, a := range attacks(t, run) {
		c := pythonCase{a.name, a.bundle, oldKey, "fault: "}
		if a.key != nil {
			c.key = made[proof.KeyID(a.key)]
		}
		if a.words { // with sums that were made to fit: weighpost alone can write the same words again
			c.says = "no fault"
		}
		cases = append(cases, c)
	}
	l.rotate()
	for what, of := range map[string]bundle.Of{"all": {All: true}, "the last entries": {First: 20}} {
		b := l.pack(of)
		cases = append(cases, pythonCase{what, b, oldKey, "no fault"}, pythonCase{what, b, l.keyText(), "no fault"})
	}
	// The checkpoint of what is older was signed before the key was changed: the later key says nothing of it.
	cases = append(cases, pythonCase{"the run, with a later key", run, l.keyText(), "nothing leads there"},
		pythonCase{"a span", l.pack(bundle.Of{First: 4, Last: 29}), oldKey, "no fault"})
	for i, out := range python(t, cases) {
		if c := cases[i]; !strings.Contains(out, c.says) || strings.Contains(out, "no fault") == strings.Contains(out, "fault: ") {
			t.Errorf("%s: %s", c.name, out)
		}
	}
	t.Logf("%d bundles looked at in Python", len(cases))
}

// pythonCase is a bundle for the program in Python, and what it has to say of it.
type pythonCase struct {
	name   string
	bundle []byte
	key    string
	says   string
}

// python has all of them looked at by one process.
func python(t testing.TB, cases []pythonCase) []string {
	t.Helper()
	dir := t.TempDir()
	args := []string{"-B", "-c", "import sys; sys.path.insert(0, '../../testdata/bundle'); import verify\nfor i in range(1, len(sys.argv), 2): verify.main(sys.argv[i:i+2]); print('----')"}
	for i, c := range cases {
		name := filepath.Join(dir, fmt.Sprintf("%d.zip", i))
		if err := os.WriteFile(name, c.bundle, 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, name, c.key)
	}
	out, err := exec.Command("python3", args...).CombinedOutput()
	list := strings.Split(string(out), "----\n")
	if err != nil || len(list) != len(cases)+1 {
		t.Fatalf("%v: %s", err, out)
	}
	return list[:len(cases)]
}

func (l *lab) keyText() string {
	l.t.Helper()
	text, err := os.ReadFile(filepath.Join(l.dir, "key.pub"))
	if err != nil {
		l.t.Fatal(err)
	}
	return strings.TrimSpace(string(text))
}

// TestASignatureUnderAnotherRunIsFound in a bundle of everything, by both: somebody who has the key of the journal put it there.
func TestASignatureUnderAnotherRunIsFound(t *testing.T) {
	l := day(t)
	var moved record.Signature
	for _, e := range l.all {
		if e.Kind == record.KindSignature {
			moved = decode[record.Signature](t, e)
		}
	}
	moved.Head, moved.Run = record.Head{}, runRef("r-7qx3-000003")
	l.add(&moved)
	l.sign()
	for what, of := range map[string]bundle.Of{"run": {Run: "r-7qx3-000003"}, "all": {All: true}} {
		f := verify(t, l.pack(of), l.key())
		if f.Valid || !strings.Contains(strings.Join(f.Faults, " "), "does not hold") {
			t.Errorf("%s: %q", what, f.Faults)
		}
	}
}

// TestAnyByteOfTheFile: a bundle that is cut anywhere is none, and one with any other byte is found or holds what it held.
func TestAnyByteOfTheFile(t *testing.T) {
	l := day(t)
	b, key := l.pack(bundle.Of{First: 3, Last: 29}), l.key()
	_, whole := parts(t, b)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	n := 40
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		n = 1000
	}
	for range n {
		cut, at := random.IntN(len(b)), random.IntN(len(b))
		if f := verify(t, b[:cut], key); f.Valid {
			t.Errorf("cut at %d of %d: %+v", cut, len(b), f)
		}
		flipped := slices.Clone(b)
		flipped[at] ^= 1 << random.IntN(8)
		if !verify(t, flipped, key).Valid {
			continue
		}
		if _, holds := parts(t, flipped); !maps.EqualFunc(holds, whole, bytes.Equal) {
			t.Errorf("byte %d of %d was altered and is not found", at, len(b))
		}
	}
}
