package backup

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
)

// bench is a journal with weighings of seed lots, and what a backup of it needs.
type bench struct {
	testing.TB
	dir, folder string
	journal     *journal.Journal
	weighed     int
}

func newBench(t testing.TB) *bench {
	b := &bench{TB: t, dir: t.TempDir(), folder: t.TempDir()}
	b.journal = journaltest.Open(t, journal.Options{Dir: b.dir})
	return b
}

// weigh records n weighings of two balances, all at once.
func (b *bench) weigh(n int) {
	b.Helper()
	var bodies []record.Body
	for range n {
		b.weighed++
		bodies = append(bodies, &record.Weighing{Balance: record.Balance{ID: fmt.Sprintf("b-%d", b.weighed%2+1)},
			Value: record.Value{Digits: fmt.Sprintf("%d.250", b.weighed), Unit: "g"}, Frame: fmt.Appendf(nil, "lot %d\r\n", b.weighed),
			Stamp: stampAt(b.weighed)})
	}
	if _, err := b.journal.Append(b.Context(), bodies...); err != nil {
		b.Fatal(err)
	}
}

func stampAt(second int) record.Stamp {
	return record.Stamp{UTC: record.UTC(time.Date(2026, 11, 29, 2, 30, second, 0, time.UTC)), Zone: "+00:00", Clock: record.ClockUnchecked}
}

func (b *bench) order() Order {
	b.Helper()
	pub, err := os.ReadFile(filepath.Join(b.dir, "key.pub"))
	if err != nil {
		b.Fatal(err)
	}
	return Order{Folder: b.folder, Journal: b.journal, PublicKey: pub, Made: stampAt(b.weighed), By: record.Actor{ID: "backup", By: record.ActorSchedule},
		Config: []ConfigFile{{From: "weighpost.yaml", Text: []byte("site: north-lab\n")}, {From: "/etc/layouts/plain.yaml", Text: []byte("# plain\n")}},
		Secrets: []Secret{{SigningKey, "the signing key of the journal", filepath.Join(b.dir, "key"), []byte(b.signingKey())},
			{"page/token", "the token of the page", "/var/lib/weighpost/token", []byte("planted-token-0123456789abcdef\n")}},
		NotHeld: []string{"must be entered again: the password of the sink broker (env:BROKER_PASSWORD)"},
	}
}

func (b *bench) signingKey() string {
	b.Helper()
	key, err := os.ReadFile(filepath.Join(b.dir, "key"))
	if err != nil {
		b.Fatal(err)
	}
	return string(key)
}

func (b *bench) create(o Order) Made {
	b.Helper()
	made, err := Create(b.Context(), o)
	if err != nil {
		b.Fatal(err)
	}
	return made
}

func (b *bench) open(made Made) *File {
	b.Helper()
	f, err := Open(filepath.Join(made.Folder, made.Name))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { f.Close() })
	return f
}

func identity(t testing.TB) *age.X25519Identity {
	t.Helper()
	id, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestABackupHoldsWhatTheJournalHeld(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(1203)
	if err := b.journal.SetCursor("broker", 700); err != nil {
		t.Fatal(err)
	}
	f := b.open(b.create(b.order()))
	b.weigh(3) // the journal goes on
	if err := f.Verify(t.Context(), b.publicKey(), nil); err != nil {
		t.Fatal(err)
	}
	want, err := b.journal.Read(t.Context(), 0, 2000)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	err = f.Entries(t.Context(), func(e record.Entry) error {
		if !bytes.Equal(e.JSON, want[n].JSON) {
			return fmt.Errorf("entry %d differs", n+1)
		}
		n++
		return nil
	})
	if err != nil || n != 1203 {
		t.Errorf("%d entries, %v", n, err)
	}
	s, err := f.Snapshot()
	if err != nil || s.Size != 1203 || s.Numbers["b-1"] != 601 || s.Numbers["b-2"] != 602 || s.Cursors["broker"] != 700 || s.Site != "north-lab" {
		t.Errorf("%+v, %v", s, err)
	}
	config, err := f.Config()
	if err != nil || len(config) != 2 || config[0].Part != "config/weighpost.yaml" || config[1].Part != "config/file-001.yaml" ||
		config[1].From != "/etc/layouts/plain.yaml" || string(config[1].Text) != "# plain\n" {
		t.Errorf("%+v, %v", config, err)
	}
}

func (b *bench) publicKey() string {
	b.Helper()
	pub, err := os.ReadFile(filepath.Join(b.dir, "key.pub"))
	if err != nil {
		b.Fatal(err)
	}
	return string(pub)
}

func TestWithoutARecipientNoSecretGoesAlong(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(3)
	made := b.create(b.order())
	m := made.Manifest
	want := []string{
		"must be entered again: the password of the sink broker (env:BROKER_PASSWORD)",
		"must be entered again: the signing key of the journal (" + filepath.Join(b.dir, "key") + ")",
		"must be entered again: the token of the page (/var/lib/weighpost/token)",
	}
	if strings.Join(m.NotHeld, "\n") != strings.Join(want, "\n") || len(m.Secrets) != 0 {
		t.Errorf("not held: %q, held: %q", m.NotHeld, m.Secrets)
	}
	f := b.open(made)
	if s, err := f.Secrets(identity(t)); s != nil || err != nil || f.HasSecrets() {
		t.Errorf("secrets %v, %v", s, err)
	}
	b.noSecretIn(made)
}

// noSecretIn looks for the planted secrets in every byte of a backup, and in the entries unpacked.
func (b *bench) noSecretIn(made Made) {
	b.Helper()
	all, err := os.ReadFile(filepath.Join(made.Folder, made.Name))
	if err != nil {
		b.Fatal(err)
	}
	err = b.open(made).Entries(b.Context(), func(e record.Entry) error {
		all = append(all, e.JSON...)
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	for _, secret := range []string{strings.TrimSpace(b.signingKey()), "PRIVATE+KEY", "planted-token"} {
		if bytes.Contains(all, []byte(secret)) {
			b.Errorf("the backup holds the secret %.20q where anybody can read it", secret)
		}
	}
}

func TestSecretsAreForTheRecipientsOnly(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.weigh(3)
	one, two := identity(t), identity(t)
	o := b.order()
	o.Recipients = []string{one.Recipient().String(), two.Recipient().String()}
	made := b.create(o)
	b.noSecretIn(made)
	f := b.open(made)
	if len(made.Manifest.NotHeld) != 1 || strings.Join(made.Manifest.Secrets, ", ") != "the signing key of the journal, the token of the page" {
		t.Errorf("%+v", made.Manifest)
	}
	for _, id := range []age.Identity{one, two} {
		secrets, err := f.Secrets(id)
		if err != nil || len(secrets) != 2 || string(secrets[0].Text) != b.signingKey() || secrets[0].From != filepath.Join(b.dir, "key") ||
			secrets[1].What != "the token of the page" {
			t.Errorf("%+v, %v", secrets, err)
		}
	}
	if _, err := f.Secrets(identity(t)); err == nil || !strings.Contains(err.Error(), "for other keys than this identity") {
		t.Errorf("a stranger's identity: %v", err)
	}
	if _, err := ParseRecipients([]string{"age1nonsense"}); err == nil {
		t.Error("a recipient that is none was taken")
	}
}

func TestABackupOfAnotherKeyIsForeign(t *testing.T) {
	t.Parallel()
	b, other := newBench(t), newBench(t)
	b.weigh(5)
	f := b.open(b.create(b.order()))
	var fault *Fault
	if err := f.Verify(t.Context(), other.publicKey(), nil); !errors.As(err, &fault) || fault.Kind != Foreign {
		t.Errorf("verified with another journal's key: %v", err)
	}
}

func TestAnEmptyJournalHasABackup(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	if err := b.open(b.create(b.order())).Verify(t.Context(), b.publicKey(), nil); err != nil {
		t.Error(err)
	}
}

func TestNamesAreReadBack(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 11, 29, 2, 30, 0, 0, time.UTC)
	for _, site := range []string{"a", "north-lab", "n-12345-x"} {
		name := FileName(site, "7qx3a", at)
		if s, inc, got, ok := ParseName(name); !ok || s != site || inc != "7qx3a" || !got.Equal(at) {
			t.Errorf("%s: %s %s %s %v", name, s, inc, got, ok)
		}
	}
	for _, name := range []string{"", "weighpost.tar", "weighpost-north-lab-7qx3a-20261329t023000z.tar", "weighpost--lab-7qx3a-20261129t023000z.tar",
		"my-weighpost-north-lab-7qx3a-20261129t023000z.tar", "weighpost-north-lab-7qx3a-20261129t023000z.tar.old"} {
		if _, _, _, ok := ParseName(name); ok {
			t.Errorf("%q was taken for a backup", name)
		}
	}
}
