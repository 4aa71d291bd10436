package backup

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

// TestTheManualsCommandsReadABackup runs what the manual tells people to type, in a shell, with programs that are not ours:
// GNU tar and sha256sum, zcat, and age (the reference program of the format age-encryption.org/v1).
func TestTheManualsCommandsReadABackup(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "sh", "tar", "sha256sum", "zcat", "age", "age-keygen")
	page, err := os.ReadFile("../help/pages/backup.md")
	if err != nil {
		t.Fatal(err)
	}
	block := regexp.MustCompile("(?s)```sh\n(.*?)```").FindSubmatch(page)
	if block == nil {
		t.Fatal("the manual has no commands any more")
	}
	dir := t.TempDir()
	run := func(name string, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), name, args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, out)
		}
		return string(out)
	}
	run("age-keygen", "-o", "identity.txt")
	b := newBench(t)
	b.weigh(7)
	o := b.order()
	o.Folder, o.Name, o.Recipients = dir, "seed-bank.tar", []string{strings.TrimSpace(run("age-keygen", "-y", "identity.txt"))}
	b.create(o)
	out := run("sh", "-e", "-c", string(block[1]))
	for _, want := range []string{"entries.ndjson.gz: OK", "snapshot.json: OK", "config/weighpost.yaml: OK", "backup.json: OK", "\n7\n",
		`{"schema":"weighpost.weighing/1"`, `"format": "weighpost.backup/1"`, "secrets.json\njournal/key\npage/token\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in what the commands print:\n%s", want, out)
		}
	}
	if n := strings.Count(out, ": OK"); n != 7 {
		t.Errorf("%d parts are summed:\n%s", n, out)
	}
	key := run("sh", "-c", "age -d -i identity.txt secrets.age | tar xO journal/key")
	if key != b.signingKey() {
		t.Error("the signing key that age gives is not the journal's")
	}
	info, err := os.Stat(filepath.Join(dir, "secrets.age"))
	if err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("the secrets are unpacked with mode %v, %v", info.Mode(), err)
	}
}

// TestABackupOnAFullDiskLeavesNothingAndTheNextWorks fills disks of several sizes, so that each part is the one that fails.
func TestABackupOnAFullDiskLeavesNothingAndTheNextWorks(t *testing.T) {
	t.Parallel()
	needs.Root(t, "to mount a small disk")
	b := newBench(t)
	b.weigh(400)
	o := b.order()
	o.Config[0].Text = []byte("site: north-lab\n" + strings.Repeat("# seeds\n", 3000))
	mounted := t.TempDir()
	shell := func(args ...string) {
		t.Helper()
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v: %s", args, err, out)
		}
	}
	shell("mount", "-t", "tmpfs", "-o", "size=4k", "weighpost-test", mounted)
	t.Cleanup(func() { shell("umount", mounted) })
	o.Folder = mounted
	failed := 0
	for _, size := range []string{"4k", "8k", "16k", "24k", "32k", "40k", "48k", "1m"} {
		shell("mount", "-o", "remount,size="+size, mounted)
		made, err := Create(t.Context(), o)
		left, rerr := os.ReadDir(mounted)
		if rerr != nil {
			t.Fatal(rerr)
		}
		if err != nil {
			failed++
			if !strings.Contains(err.Error(), "no space left on device. Make room, mend the disk or name another folder; the journal is untouched") || len(left) != 0 {
				t.Errorf("size %s: %v, left %v", size, err, left)
			}
			continue
		}
		if len(left) != 1 || left[0].Name() != made.Name {
			t.Errorf("size %s: %v", size, left)
		}
		if err := whole(t, filepath.Join(mounted, made.Name), b.publicKey()); err != nil {
			t.Errorf("size %s: %v", size, err)
		}
		if err := os.Remove(filepath.Join(mounted, made.Name)); err != nil {
			t.Fatal(err)
		}
	}
	if failed < 3 || failed == 8 {
		t.Errorf("%d of 8 failed: the sizes show nothing", failed)
	}
	b.weigh(1)
}

// TestWhatACutLeftIsRemovedByTheNext: a hidden file of the name that is written under.
func TestWhatACutLeftIsRemovedByTheNext(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(2)
	s, err := b.journal.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	left := filepath.Join(b.folder, tempName(s.Site, s.Incarnation))
	if err := os.WriteFile(left, []byte("half a backup"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.create(b.order())
	names, err := os.ReadDir(b.folder)
	if err != nil || len(names) != 1 || strings.HasSuffix(names[0].Name(), ".part") {
		t.Errorf("%v, %v", names, err)
	}
}
