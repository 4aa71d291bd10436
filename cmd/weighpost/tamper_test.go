package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/roster"
)

// tamperPage is the page of the manual that holds what the attacks below were found by.
const tamperPage = "../../gateway/help/pages/tampering.md"

var updateTamper = flag.Bool("update-tampering", false, "write what was found into the manual")

// evidence is a small journal with everything that can be tampered with, as an attacker finds it, and beside it what its owner
// keeps elsewhere.
type evidence struct {
	dir    string // of all
	key    string // elsewhere: the public key of the first start
	held   string // elsewhere: the newest checkpoint
	before string // elsewhere: an older checkpoint
}

func (e evidence) journal() string { return filepath.Join(e.dir, "journal") }

// at names a file of the evidence.
func (e evidence) at(name string) string { return filepath.Join(e.dir, name) }

// attack is something that somebody does to the evidence, and the command that tells of it.
type attack struct {
	what string
	do   func(t *testing.T, e evidence)
	by   string // the command, with JOURNAL, KEY, HELD, BEFORE and the names of files
	says string // what it must say
}

// collect makes the evidence: sixty weighings of two balances in three parts, each with a checkpoint, and a copy of the
// folder as it was after the second.
func collect(t *testing.T) evidence {
	t.Helper()
	e := evidence{dir: t.TempDir()}
	e.key, e.held, e.before = e.at("elsewhere.pub"), e.at("held.txt"), e.at("before.txt")
	ctx := context.Background()
	for part, name := range []string{"", e.before, e.held} {
		j, err := journal.Open(ctx, journal.Options{Dir: e.journal(), Site: "north-lab"})
		if err != nil {
			t.Fatal(err)
		}
		for n := range 10 {
			if _, err := j.Append(ctx, seedLot("b-12", 10*part+n), seedLot("b-7", 10*part+n)); err != nil {
				t.Fatal(err)
			}
		}
		_, note, err := j.Checkpoint(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if part == 2 {
			copyFiles(t, e.journal(), e.at("running")) // as a kill leaves it, with its WAL
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if name != "" {
			writeFile(t, name, note)
		}
		if part == 1 {
			copyFiles(t, e.journal(), e.at("older"))
		}
	}
	public, err := os.ReadFile(filepath.Join(e.journal(), "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, e.key, public)
	e.derive(t)
	return e
}

// derive makes what is given away of the journal, a proof and an export, and another one that is old enough to be sealed, with
// a backup.
func (e evidence) derive(t *testing.T) {
	t.Helper()
	writeFile(t, e.at("weighpost.yaml"), []byte("site: north-lab\njournal:\n  folder: sealed\n  retention: {after: 2d, keep_at_least: 1d, entries: 1000}\n"+
		"page: {listen: 127.0.0.1:1}\n"))
	e.fillOld(t)
	for _, args := range []string{
		"journal prove JOURNAL 5 --out weighing.proof",
		"journal export JOURNAL --format csv --out lots.csv --key KEY",
		"backup create --config weighpost.yaml --out lots.backup.tar",
		"journal seal --config weighpost.yaml --before 2025-12-20",
	} {
		if status, out, errs := call(e.command(args)...); status != 0 {
			t.Fatalf("weighpost %s ends with %d:\n%s%s", args, status, out, errs)
		}
	}
}

// fillOld makes a journal of 3,200 entries that are days old, in the folder sealed.
func (e evidence) fillOld(t *testing.T) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: e.at("sealed"), Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	for n := range 32 {
		var bodies []record.Body
		for range 100 {
			lot := seedLot("b-12", n)
			lot.Stamp.UTC = record.UTC(lot.Stamp.UTC.Time().AddDate(0, 0, n))
			bodies = append(bodies, lot)
		}
		if _, err := j.Append(t.Context(), bodies...); err != nil {
			t.Fatal(err)
		}
	}
	public, err := os.ReadFile(filepath.Join(e.at("sealed"), "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, e.at("sealed.pub"), public)
	if err := errors.Join(j.SetCursor(roster.Place, j.Head()), j.Close()); err != nil { // a start needs none of these entries
		t.Fatal(err)
	}
}

// seedLot is a weighing of the seed bank.
func seedLot(balance string, n int) *record.Weighing {
	bound := record.Span(21 * time.Millisecond)
	return &record.Weighing{
		Balance: record.Balance{ID: balance, Place: "cold store 2", Readability: "0.0001 g", Identity: "confirmed"},
		Value:   record.Value{Digits: fmt.Sprintf("%d.%04d", 12+n, n), Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Frame:   fmt.Appendf(nil, "%d.%04d g\r\n", 12+n, n), Layout: "sha256:9f86", Trigger: "printed", Port: "tcp://127.0.0.1:4001",
		Stamp: record.Stamp{UTC: record.UTC(time.Date(2025, 11, 25, 10, n, 0, 0, time.UTC)), Zone: "+01:00", Bound: &bound,
			Clock: record.ClockChecked, Sources: 3},
		Context: record.Context{Person: &record.Learnt{ID: "p-17", By: record.BySignedIn},
			Sample: &record.Learnt{ID: fmt.Sprintf("lot-%04d", n), By: record.ByScanned}},
		Fitness: record.Fitness{State: "unknown"}, Software: record.Software{Version: "0.0.0-test"},
	}
}

// copyFor copies what an attack and the command that tells of it need.
func (e evidence) copyFor(t *testing.T, a attack, to string) {
	t.Helper()
	list, err := os.ReadDir(e.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		from, at := e.at(f.Name()), filepath.Join(to, f.Name())
		switch {
		case f.IsDir() && (f.Name() == "sealed") == strings.Contains(a.by, "SEALED"):
			copyFiles(t, from, at)
		case !f.IsDir():
			b, err := os.ReadFile(from)
			if err == nil {
				err = os.MkdirAll(to, 0o700)
			}
			if err != nil {
				t.Fatal(err)
			}
			writeFile(t, at, b)
		}
	}
}

func copyFiles(t *testing.T, from, to string) {
	t.Helper()
	err := os.CopyFS(to, os.DirFS(from))
	if err == nil { // which lets everybody read the copies, and a key that others can read is told of
		err = filepath.WalkDir(to, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			return os.Chmod(name, 0o600)
		})
	}
	if err != nil {
		t.Fatal(err)
	}
}

func writeFile(t *testing.T, name string, content []byte) {
	t.Helper()
	if err := os.WriteFile(name, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

// command fills in the places of the evidence.
func (e evidence) command(by string) []string {
	args := strings.Fields(by)
	for i, a := range args {
		switch a {
		case "JOURNAL":
			args[i] = e.journal()
		case "SEALED":
			args[i] = e.at("sealed")
		case "KEY":
			args[i] = e.key
		case "HELD":
			args[i] = e.held
		case "BEFORE":
			args[i] = e.before
		default:
			if strings.Contains(a, ".") {
				args[i] = e.at(a)
			}
		}
	}
	return args
}

// TestEveryAttackIsFound does each attack to a copy of its own and holds what the command says against what it must say. The
// same commands say nothing of the kind about the evidence as it was.
func TestEveryAttackIsFound(t *testing.T) {
	t.Parallel()
	good := collect(t)
	var table strings.Builder
	table.WriteString("| attack | found by | what it says |\n| --- | --- | --- |\n")
	clean := map[string]bool{}
	for _, a := range attacks {
		t.Run(a.what, func(t *testing.T) {
			if !clean[a.by] {
				clean[a.by] = true
				if status, out, errs := call(good.command(a.by)...); status != 0 {
					t.Fatalf("before any attack, weighpost %s ends with %d:\n%s%s", a.by, status, out, errs)
				}
			}
			e := evidence{dir: filepath.Join(t.TempDir(), "e")}
			good.copyFor(t, a, e.dir)
			e.key, e.held, e.before = e.at("elsewhere.pub"), e.at("held.txt"), e.at("before.txt")
			a.do(t, e)
			status, out, errs := call(e.command(a.by)...)
			found := sentenceWith(strings.ReplaceAll(out+errs, e.dir+string(filepath.Separator), ""), a.says)
			if status != statusFailed || found == "" {
				t.Errorf("weighpost %s ends with %d and does not say %q:\n%s%s", a.by, status, a.says, out, errs)
			}
			fmt.Fprintf(&table, "| %s | `weighpost %s` | %s |\n", a.what, a.by, shorten(found))
		})
	}
	if len(attacks) < 25 {
		t.Errorf("only %d attacks", len(attacks))
	}
	if !t.Failed() {
		compareTable(t, table.String())
	}
}

// sentenceWith is the first line of a text that holds what is looked for.
func sentenceWith(text, what string) string {
	for line := range strings.Lines(text) {
		if strings.Contains(line, what) {
			return strings.TrimSpace(line)
		}
	}
	return ""
}

var (
	longHash = regexp.MustCompile(`[A-Za-z0-9+/]{43}=|\b[0-9a-f]{64}\b`)
	keyID    = regexp.MustCompile(`weighpost/north-lab/[a-z2-7]{5}(\+[0-9a-f]{8})?`)
	fileName = regexp.MustCompile(`north-lab-[a-z2-7]{5}-`)
	sizes    = regexp.MustCompile(`\d+ bytes and was written with \d+`)
	place    = regexp.MustCompile(` \((byte|page) [^)]*\)|, at byte \d+ of journal.db-wal`)
)

// shorten takes out of a sentence what differs from run to run.
func shorten(s string) string {
	s = longHash.ReplaceAllString(s, "…")
	s = sizes.ReplaceAllString(fileName.ReplaceAllString(s, "north-lab-…-"), "… bytes and was written with …")
	s = place.ReplaceAllString(keyID.ReplaceAllString(s, "weighpost/north-lab/…"), "")
	return strings.ReplaceAll(s, "|", "\\|")
}

const tableBegins, tableEnds = "<!-- attacks -->\n", "<!-- end -->\n"

// compareTable holds what was found against the manual, or writes it there.
func compareTable(t *testing.T, table string) {
	t.Helper()
	page, err := os.ReadFile(tamperPage)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, ok := strings.Cut(string(page), tableBegins)
	_, after, ends := strings.Cut(rest, tableEnds)
	if !ok || !ends {
		t.Fatal("the page has no place for the table")
	}
	want := before + tableBegins + table + tableEnds + after
	if *updateTamper {
		writeFile(t, tamperPage, []byte(want))
		return
	}
	if want != string(page) {
		t.Errorf("the manual has another table of attacks; go test ./cmd/weighpost -run EveryAttack -update-tampering writes this one:\n%s", table)
	}
}
