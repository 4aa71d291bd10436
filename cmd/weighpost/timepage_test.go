package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/help"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/authority"
	"weighpost/gateway/timestamp/tsatest"
)

// TestTheManualsCommandsCheckATimestamp runs what the page time says, over a journal with two time-stamps by OpenSSL.
func TestTheManualsCommandsCheckATimestamp(t *testing.T) {
	a := tsatest.Start(t)
	needs.Programs(t, "sh", "sed", "tail")
	page, err := help.Page("time")
	if err != nil {
		t.Fatal(err)
	}
	_, block, _ := strings.Cut(page.Text, "```sh\n")
	block, _, closed := strings.Cut(block, "```")
	first, rest, _ := strings.Cut(block, "\n")
	list, file, _ := strings.Cut(first, " > ")
	if !closed || !strings.HasPrefix(list, "weighpost ") || file == "" {
		t.Fatalf("the page has no commands: %q", block)
	}
	dir := t.TempDir()
	stampTwice(t, a, dir)
	ca, err := os.ReadFile(a.CA)
	if err != nil {
		t.Fatal(err)
	}
	work := t.TempDir()
	write := func(name string, content []byte) {
		if err := os.WriteFile(filepath.Join(work, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("ca.pem", ca)
	out, status := said(t, strings.Fields(strings.Replace(strings.TrimPrefix(list, "weighpost "), "DIR", dir, 1))...)
	if status != 0 || strings.Count(out, "\n") != 2 {
		t.Fatalf("%d %s", status, out)
	}
	write(file, []byte(out))
	sh := func(script string) string {
		cmd := exec.CommandContext(t.Context(), "sh", "-c", script)
		cmd.Dir = work
		b, _ := cmd.CombinedOutput()
		return string(b)
	}
	if got := sh(rest); !strings.Contains(got, "Verification: OK") || !strings.Contains(got, "Time stamp: ") {
		t.Errorf("the commands print:\n%s", got)
	}
	note, err := os.ReadFile(filepath.Join(work, "checkpoint"))
	if err != nil || !bytes.Contains(note, []byte("\n3\n")) {
		t.Errorf("%v: the checkpoint is not the last: %s", err, note)
	}
	write("checkpoint", append(note, ' '))
	if got := sh("openssl ts -verify -data checkpoint -in token.der -token_in -CAfile ca.pem"); strings.Contains(got, "Verification: OK") {
		t.Error("openssl verifies an altered checkpoint")
	}
	out, status = said(t, "journal", "verify", dir, "--tsa-ca", a.CA)
	if status != 0 || !strings.Contains(out, "time-stamps: 2, the last by Seed bank tsa at ") || !strings.Contains(out, "covers 3 entries; signatures verified") {
		t.Errorf("%d %s", status, out)
	}
	key, file := filepath.Join(dir, "key.pub"), filepath.Join(work, "proof")
	if out, status = said(t, "journal", "prove", dir, "1", "--stamped", "--out", file); status != 0 {
		t.Fatalf("%d %s", status, out)
	}
	if out, status = said(t, "validate", "proof", file, "--key", key, "--tsa-ca", a.CA); status != 0 || !strings.Contains(out, " by Seed bank tsa, over this checkpoint") {
		t.Errorf("%d %s", status, out)
	}
	other := tsatest.Start(t)
	if out, status = said(t, "validate", "proof", file, "--key", key, "--tsa-ca", other.CA); status != 1 || !strings.Contains(out, "no authority that is trusted here vouches") {
		t.Errorf("%d %s", status, out)
	}
	if out, status = said(t, "journal", "verify", dir, "--tsa-ca", other.CA); status != 1 || strings.Count(out, "no authority that is trusted here vouches") != 2 {
		t.Errorf("%d %s", status, out)
	}
}

// stampTwice makes a journal with an entry and a time-stamp, twice.
func stampTwice(t *testing.T, a *tsatest.Authority, dir string) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: dir, Site: "seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}()
	stamp := func() record.Stamp { return clock.System{Zone: time.UTC}.Stamp(time.Now()) }
	for range 2 {
		if _, err := j.Append(t.Context(), &record.Lifecycle{Started: true, Stamp: stamp()}); err != nil {
			t.Fatal(err)
		}
		size, note, err := j.Checkpoint(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		token, err := authority.Ask(context.WithoutCancel(t.Context()), authority.Config{URL: a.URL, CAFile: a.CA}, note, stamp)
		if err != nil {
			t.Fatal(err)
		}
		e := authority.EntryOf(token, size, note)
		e.Stamp = stamp()
		if _, err := j.Append(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
}
