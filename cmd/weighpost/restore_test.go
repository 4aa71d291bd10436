package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"weighpost/gateway/backup"
	"weighpost/gateway/clock"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// oldComputer is a journal with a backup of it, as another computer left them.
type oldComputer struct {
	dir, file, identity string
	entries             uint64
}

func newOldComputer(t *testing.T, recipient bool) oldComputer {
	t.Helper()
	at := t.TempDir()
	o := oldComputer{dir: filepath.Join(at, "old", "journal"), identity: filepath.Join(at, "identity.txt")}
	j, err := journal.Open(t.Context(), journal.Options{Dir: o.dir, Site: "seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for n := range 25 {
		w := &record.Weighing{Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: fmt.Sprintf("%d.5", n), Unit: "g"}}
		if _, err := j.Append(t.Context(), w); err != nil {
			t.Fatal(err)
		}
	}
	keepCertificate(t, j, o.dir)
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(o.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	id, err := age.GenerateX25519Identity()
	if err == nil {
		err = os.WriteFile(o.identity, []byte(id.String()+"\n"), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	order := backup.Order{Folder: at, Name: "seed-bank.tar", Journal: j, PublicKey: read("key.pub"), Made: clock.System{}.Stamp(time.Now()),
		Config: []backup.ConfigFile{{From: "weighpost.yaml", Text: []byte("site: seed-bank\njournal: {folder: journal}\n")}},
		Secrets: []backup.Secret{{Name: backup.SigningKey, What: "the signing key of the journal", From: filepath.Join(o.dir, "key"), Text: read("key")},
			{Name: "page/token", What: "the token of the page", From: filepath.Join(o.dir, "api.token"), Text: []byte("planted-token\n")},
			{Name: "file/broker", What: "the password of the sink broker", From: "/nowhere/of/this/test/broker.password", Text: []byte("planted-password\n")}},
		NotHeld: []string{"must be entered again: the password of the sink lims (env:LIMS_PASSWORD)"}, Kept: filepath.Join(o.dir, backup.KeptFolder)}
	if recipient {
		order.Recipients = []string{id.Recipient().String()}
	}
	if _, err := backup.Create(t.Context(), order); err != nil {
		t.Fatal(err)
	}
	o.file, o.entries = filepath.Join(at, order.Name), j.Head()
	return o
}

// aCertificate is the file of the certificate of a reference weight.
const aCertificate = "%PDF-1.7 a certificate"

var aCertificateSum = fmt.Sprintf("%x", sha256.Sum256([]byte(aCertificate)))

// keepCertificate keeps it beside a journal, with an entry that names it.
func keepCertificate(t *testing.T, j *journal.Journal, dir string) {
	t.Helper()
	folder := filepath.Join(dir, backup.KeptFolder)
	err := errors.Join(os.Mkdir(folder, 0o700), os.WriteFile(filepath.Join(folder, aCertificateSum), []byte(aCertificate), 0o600))
	if err == nil {
		_, err = j.Append(t.Context(), &record.WeightEntry{Change: record.WeightRegistered, Weight: record.ReferenceWeight{ID: "f1-20", Nominal: "20 g",
			Certificate: &record.Certificate{Number: "4711", Date: "2026-01-15", File: &record.KeptFile{Name: "4711.pdf", SHA256: aCertificateSum, Bytes: int64(len(aCertificate))}}}})
	}
	if err != nil {
		t.Fatal(err)
	}
}

// commanded runs a command line and gives what it printed.
func commanded(args ...string) (out, err string, status int) {
	var o, e bytes.Buffer
	status = run(args, streams{strings.NewReader(""), &o, &e})
	return o.String(), e.String(), status
}

// With the identity the secrets come back, readable for their owner alone, and only into the folders that the command names.
func TestARestoreWithTheIdentityBringsTheSecretsBack(t *testing.T) {
	t.Parallel()
	old, at := newOldComputer(t, true), t.TempDir()
	into, cfg := filepath.Join(at, "journal"), filepath.Join(at, "etc", "weighpost.yaml")
	out, why, status := commanded("backup", "restore", old.file, "--into", into, "--config", cfg, "--identity", old.identity, "--by", "ada", "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, why)
	}
	var facts restoredFacts
	if err := json.Unmarshal([]byte(out), &facts); err != nil {
		t.Fatal(err)
	}
	if facts.Entries != old.entries || facts.Head != old.entries+2 || !facts.KeyVouched || facts.KeyLost != "" {
		t.Errorf("restored %+v", facts)
	}
	if len(facts.Reenter) != 1 || !strings.Contains(facts.Reenter[0], "LIMS_PASSWORD") {
		t.Errorf("to enter again: %q", facts.Reenter)
	}
	for name, want := range map[string]string{
		filepath.Join(into, "api.token"):                               "planted-token\n",
		filepath.Join(at, "etc", "restored-secrets", "file", "broker"): "planted-password\n",
		filepath.Join(at, "etc", "weighpost.yaml"):                     "site: seed-bank\njournal: {folder: journal}\n",
	} {
		b, err := os.ReadFile(name)
		if err != nil || string(b) != want {
			t.Errorf("%s holds %q, %v", name, b, err)
		}
		if info, err := os.Stat(name); err == nil && !strings.HasSuffix(name, ".yaml") && info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s has the mode %v", name, info.Mode())
		}
	}
	key, err := os.ReadFile(filepath.Join(old.dir, "key"))
	if now, rerr := os.ReadFile(filepath.Join(into, "key")); err != nil || rerr != nil || bytes.Equal(key, now) {
		t.Error("the restored journal signs with the key of before")
	}
	if out, why, status := commanded("journal", "verify", into); status != 0 || !strings.Contains(out, "restored") {
		t.Errorf("verify: status %d: %s%s", status, out, why)
	}
	if _, why, status := commanded("journal", "verify", into, "--key", filepath.Join(old.dir, "key.pub")); status != 0 {
		t.Errorf("verify with the key of before: status %d: %s", status, why)
	}
}

// Without it, the restore says exactly what must be entered again, and the journal is usable.
func TestARestoreWithoutTheIdentitySaysWhatMustBeEnteredAgain(t *testing.T) {
	t.Parallel()
	for _, recipient := range []bool{true, false} {
		old, into := newOldComputer(t, recipient), filepath.Join(t.TempDir(), "journal")
		out, why, status := commanded("backup", "restore", old.file, "--into", into)
		if status != 0 {
			t.Fatalf("status %d: %s", status, why)
		}
		for _, want := range []string{"the token of the page", "the password of the sink broker", "LIMS_PASSWORD", "weighpost journal replace-key",
			"the key before it is lost", "nothing: no place that was asked knows of more"} {
			if !strings.Contains(out, want) {
				t.Errorf("recipient %v: it does not say %q:\n%s", recipient, want, out)
			}
		}
		if strings.Contains(out, "again: the signing key") || strings.Contains(out, "planted") {
			t.Errorf("it says too much:\n%s", out)
		}
		j, err := journal.Open(t.Context(), journal.Options{Dir: into, Site: "seed-bank"})
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if out, why, status := commanded("journal", "verify", into); status != 0 || !strings.Contains(out, "no key vouched for it") {
			t.Errorf("verify: status %d: %s%s", status, out, why)
		}
		if _, _, status := commanded("backup", "restore", old.file, "--into", into); status != statusFailed {
			t.Errorf("restored once more over it: status %d", status)
		}
	}
}

func TestWrongUseOfARestoreIsRefused(t *testing.T) {
	t.Parallel()
	old := newOldComputer(t, false)
	for want, args := range map[string][]string{
		"holds no secrets":      {"--identity", old.identity},
		"no identity of age":    {"--identity", old.file},
		"this is no public key": {"--key", old.identity},
		"second person":         {"--by", "ada", "--confirmed-by", "ada"},
		"with --reason":         {"--replace"},
		"cannot be read":        {"--known", "nowhere"},
		"has mistakes":          {"--config", old.identity},
	} {
		into := filepath.Join(t.TempDir(), "journal")
		_, why, status := commanded(append([]string{"backup", "restore", old.file, "--into", into}, args...)...)
		if status != statusFailed || !strings.Contains(why, want) {
			t.Errorf("%v: status %d, %q, want %q", args, status, why, want)
		}
		if _, err := os.Stat(into); !os.IsNotExist(err) {
			t.Errorf("%v: something was made", args)
		}
	}
}

// A restore without the signing key is confirmed by two people, and a key that was lost later is replaced the same way.
func TestTwoPeopleReplaceALostKey(t *testing.T) {
	t.Parallel()
	old, at := newOldComputer(t, false), t.TempDir()
	into, cfg := filepath.Join(at, "journal"), filepath.Join(at, "weighpost.yaml")
	if _, why, status := commanded("backup", "restore", old.file, "--into", into, "--config", cfg, "--by", "ada"); status != 0 {
		t.Fatalf("status %d: %s", status, why)
	}
	replace := func(second string) (string, string, int) {
		return commanded("journal", "replace-key", "--config", cfg, "--reason", "it was in no backup", "--by", "ada", "--confirmed-by", second)
	}
	if _, why, status := replace("ada"); status != statusFailed || !strings.Contains(why, "by two people") {
		t.Errorf("one person alone: status %d: %s", status, why)
	}
	if _, why, status := replace("ben"); status != 0 {
		t.Fatalf("status %d: %s", status, why)
	}
	if _, why, status := replace("ben"); status != statusFailed || !strings.Contains(why, "nothing is lost") {
		t.Errorf("a key that is there: status %d: %s", status, why)
	}
	if err := os.Remove(filepath.Join(into, "key")); err != nil {
		t.Fatal(err)
	}
	if _, why, status := commanded("run", "--config", cfg); status != statusFailed || !strings.Contains(why, "weighpost journal replace-key --config FILE") {
		t.Errorf("the start without a key: status %d: %s", status, why)
	}
	out, why, status := replace("ben")
	if status != 0 || !strings.Contains(out, "now signs with weighpost/seed-bank/") {
		t.Fatalf("status %d: %s%s", status, out, why)
	}
	out, why, status = commanded("journal", "verify", into)
	if status != 0 || strings.Count(out, "ada and ben said that the one before was lost") != 2 {
		t.Errorf("verify: status %d: %s%s", status, out, why)
	}
	if list, why, status := commanded("journal", "list", into, "--kind", "key-rotated"); status != 0 || !strings.Contains(list, "it was in no backup") {
		t.Errorf("list: status %d: %s%s", status, list, why)
	}
}
