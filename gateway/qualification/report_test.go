package qualification

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/needs"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// sample is a report with a test of each outcome.
func sample() *Report {
	at, bound := record.UTC(time.Date(2026, 11, 30, 18, 15, 0, 0, time.UTC)), record.Span(21*time.Millisecond)
	r := &Report{Schema: Schema, ID: "qualification-seed-bank-20261130T181500Z", Site: "seed-bank", Journal: "weighpost/seed-bank/7qx3, 12 entries at the start",
		By: Person{"Ada Ohm", "ada"}, Begun: When{UTC: at, Clock: "checked", Bound: &bound, Zone: "+01:00"}, Ended: When{UTC: at, Clock: "unchecked"},
		Program: Program{Version: "1.2.3", Commit: "0123456789abcdef", File: "/usr/local/bin/weighpost", SHA256: strings.Repeat("a", 64), Build: "go1.26.8 linux/amd64"},
		Host:    Host{"lab-pc", "linux/amd64"}, Config: Config{"/etc/weighpost/weighpost.yaml", "sha256:" + strings.Repeat("b", 64)},
		Daemon: "A daemon ran with this journal.", Asked: "all tests", Limits: Limits(), Software: "weighpost 1.2.3"}
	for _, one := range []Test{{ID: "journal.verify", Seen: "no fault\n<b>\u202e", Outcome: Passed}, {ID: "sinks.lims", Outcome: Failed, Why: "Nothing arrived."}, {ID: "kill.power", Outcome: NotDone, Why: "A person has to do it."}} {
		one.Requirement, one.Clauses, _ = Requirement(one.ID)
		one.Begun, one.Ended, one.Tried = at, at, "something"
		r.Tests = append(r.Tests, one)
	}
	r.Close()
	return r
}

// made is the sample's files, by name, with the key that stands for them.
func made(t *testing.T) (files map[string][]byte, f Files, key note.Verifier) {
	t.Helper()
	secret, public, err := note.GenerateKey(rand.Reader, "weighpost/seed-bank/7qx3")
	if err != nil {
		t.Fatal(err)
	}
	signer, _ := note.NewSigner(secret)
	key, _ = proof.ParseKey(public)
	f, err = sample().Make(func(list []proof.SignedFile) ([]byte, error) { return proof.SignFiles(signer, list) })
	if err != nil {
		t.Fatal(err)
	}
	return map[string][]byte{f.Name + EndJSON: f.JSON, f.Name + EndPDF: f.PDF}, f, key
}

func opener(files map[string][]byte) func(string) (io.ReadCloser, error) {
	return func(name string) (io.ReadCloser, error) {
		text, there := files[name]
		if !there {
			return nil, errors.New("it is not there")
		}
		return io.NopCloser(bytes.NewReader(text)), nil
	}
}

// TestAReportIsAsItWasSigned, and is found out with any byte changed, a file missing, and under another key.
func TestAReportIsAsItWasSigned(t *testing.T) {
	files, f, key := made(t)
	found := Verify(f.Signed, key, opener(files))
	if !found.Valid || found.Report == nil || found.Report.Summary != (Summary{1, 1, 1}) || found.Report.Good() {
		t.Fatalf("%+v", found)
	}
	for name, text := range files {
		for at := 0; at < len(text); at += max(1, len(text)/97) {
			changed := map[string][]byte{f.Name + EndJSON: f.JSON, f.Name + EndPDF: f.PDF}
			changed[name] = bytes.Clone(text)
			changed[name][at] ^= 1
			if got := Verify(f.Signed, key, opener(changed)); got.Valid || !strings.Contains(strings.Join(got.Faults, " "), name) {
				t.Fatalf("byte %d of %s: %+v", at, name, got.Faults)
			}
		}
		if got := Verify(f.Signed, key, opener(map[string][]byte{})); got.Valid {
			t.Error("no files are taken for good")
		}
	}
	_, _, other := made(t)
	if got := Verify(f.Signed, other, opener(files)); got.Valid || got.Report != nil {
		t.Errorf("another key is taken for good: %+v", got)
	}
}

// TestThePaperTellsEverything: each test with its outcome and reason, the clauses and the hash of the data; what cannot be seen shows as a mark.
func TestThePaperTellsEverything(t *testing.T) {
	needs.Programs(t, "pdftotext")
	_, f, _ := made(t)
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, f.PDF, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), "pdftotext", "-layout", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(string(out)), " ")
	for _, want := range []string{"1 passed, 1 failed, 1 not done", "Something failed", "journal.verify", "PASSED", "FAILED", "NOT DONE", "Nothing arrived.", "A person has to do it.",
		"EU GMP Annex 11, 4.8", "(from memory)", "± 0.021 s", "no error bound is known", "Ada Ohm (account ada of the system)", "0123456789abcdef", "‹U+202E›", "qualify no laboratory", "approved for use by"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not on the paper", want)
		}
	}
}

// judge has ajv judge a document against the schema: it prints nothing where it is valid.
const judge = `
const Ajv = require("ajv/dist/2020"), formats = require("ajv-formats"), fs = require("fs");
const ajv = new Ajv({strict: false, allErrors: true}); formats(ajv);
const schema = ajv.compile(JSON.parse(fs.readFileSync(process.argv[1])));
const wrong = JSON.parse(fs.readFileSync(0)).map(doc => schema(doc) ? "" : ajv.errorsText(schema.errors));
console.log(JSON.stringify(wrong));
`

// TestAReportFitsItsSchema, as ajv (https://ajv.js.org, not ours) judges it; and a fault of each sort does not.
func TestAReportFitsItsSchema(t *testing.T) {
	needs.Programs(t, "node")
	const dir = "../../testdata/ajv"
	_, err := os.Stat(filepath.Join(dir, "node_modules", "ajv"))
	needs.That(t, err == nil, "ajv: cd testdata/ajv && npm ci --ignore-scripts")
	docs := []*Report{sample()}
	for _, spoil := range []func(r *Report){
		func(r *Report) { r.Schema = "weighpost.qualification/0" }, func(r *Report) { r.Program.SHA256 = "abc" }, func(r *Report) { r.Config.Hash = "" },
		func(r *Report) { r.Begun.Bound = nil }, func(r *Report) { r.Tests[0].Outcome = "good" }, func(r *Report) { r.Tests[0].Seen = "" },
		func(r *Report) { r.Tests[1].Why = "" }, func(r *Report) { r.Tests[2].Clauses = nil }, func(r *Report) { r.Tests[2].ID = "other.test" }, func(r *Report) { r.Limits = nil },
	} {
		docs = append(docs, sample())
		spoil(docs[len(docs)-1])
	}
	in, err := json.Marshal(docs)
	if err != nil {
		t.Fatal(err)
	}
	schema, err := filepath.Abs("../../configs/qualification.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", judge, schema)
	cmd.Dir, cmd.Stdin = dir, bytes.NewReader(in)
	out, err := cmd.CombinedOutput()
	var wrong []string
	if err == nil {
		err = json.Unmarshal(out, &wrong)
	}
	if err != nil || len(wrong) != len(docs) {
		t.Fatalf("%v\n%s", err, out)
	}
	for i, w := range wrong {
		if (w == "") != (i == 0) {
			t.Errorf("document %d: %q", i, w)
		}
	}
}
