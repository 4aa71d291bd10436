package running

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"filippo.io/age"
	paho "github.com/eclipse/paho.mqtt.golang"

	"weighpost/gateway/backup"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// site is what two computers share: a broker, a share with files, and the far side that sees what arrives.
type site struct {
	broker        *mosquitto.Broker
	share, layout string
	program       string
	far           *farSide
	identity      *age.X25519Identity
	identityFile  string
}

func newSite(t *testing.T) *site {
	t.Helper()
	at := t.TempDir()
	s := &site{
		broker: mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "planted-broker-password"}}), share: filepath.Join(at, "share"),
		program: program(t, at), identityFile: filepath.Join(at, "identity.txt"),
	}
	err := os.Mkdir(s.share, 0o755)
	if err == nil {
		s.identity, err = age.GenerateX25519Identity()
	}
	if err == nil {
		err = os.WriteFile(s.identityFile, []byte(s.identity.String()+"\n"), 0o600)
	}
	if err == nil {
		s.layout, err = filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	}
	if err != nil {
		t.Fatal(err)
	}
	s.far = &farSide{delivered: map[string][]byte{}, acknowledged: map[string]string{}}
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + s.broker.Addr()).SetClientID("far-side").SetCleanSession(false).
		SetUsername("bank").SetPassword("planted-broker-password").SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { s.far.take(m) }))
	for _, step := range []func() paho.Token{client.Connect, func() paho.Token { return client.Subscribe("weighpost/seed-bank/+/+", 1, nil) }} {
		if token := step(); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("the test's own subscriber: %v", token.Error())
		}
	}
	t.Cleanup(func() { client.Disconnect(100) })
	return s
}

// computer is one of the two: a folder, a balance on a pseudo-terminal, and a configuration.
type computer struct {
	*site
	dir, config, journal string
	cord                 *pty.Cord
	printed              int
	daemon               *exec.Cmd
}

// newComputer writes a configuration; password is where that of the broker is.
func (s *site) newComputer(t *testing.T, password string) *computer {
	t.Helper()
	c := &computer{site: s, dir: t.TempDir()}
	c.config, c.journal, c.cord = filepath.Join(c.dir, "weighpost.yaml"), filepath.Join(c.dir, "journal"), pty.NewCord(filepath.Join(c.dir, "port"))
	if err := c.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.cord.Pull() })
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer free.Close()
	text := fmt.Sprintf(`site: seed-bank
journal: {folder: journal}
page: {listen: %q}
balances:
- {id: b-1, port: {address: %q}, layout: %q}
sinks:
- {id: broker, kind: mqtt, broker: %q, username: bank, password: %q, retain: true, retry_min: 50ms}
- {id: share, kind: files, folder: %q}
backup: {folder: %q, recipients: [%s]}
`, free.Addr(), c.cord.Path(), s.layout, "tcp://"+s.broker.Addr(), "file:"+filepath.Join(c.dir, password), s.share, c.dir, s.identity.Recipient())
	if err := os.WriteFile(c.config, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *computer) start(t *testing.T) {
	t.Helper()
	log, err := os.Create(filepath.Join(c.dir, "log"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	c.daemon = exec.CommandContext(t.Context(), c.program, "run", "--config", c.config)
	c.daemon.Stdout, c.daemon.Stderr = log, log
	if err := c.daemon.Start(); err != nil {
		t.Fatal(err)
	}
	c.wait(t, "the daemon runs", func() bool {
		said, _ := os.ReadFile(log.Name())
		return strings.Contains(string(said), "weighpost ")
	})
}

func (c *computer) wait(t *testing.T, what string, f func() bool) {
	t.Helper()
	for limit := time.Now().Add(30 * time.Second); !f(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			said, _ := os.ReadFile(filepath.Join(c.dir, "log"))
			t.Fatalf("waited in vain: %s\n%s", what, said[max(0, len(said)-4000):])
		}
	}
}

// weigh prints, and waits until as many weighings are in the share.
func (c *computer) weigh(t *testing.T, n int) {
	t.Helper()
	before := len(c.weighings(t))
	for range n {
		c.printed++
		if _, err := fmt.Fprintf(c.cord, "%6d.%03d g\r\n", c.printed/1000, c.printed%1000); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Millisecond)
	}
	c.wait(t, "the weighings are in the share", func() bool { return len(c.weighings(t)) == before+n })
}

// weighings are those in the share, by id.
func (s *site) weighings(t *testing.T) map[string][]byte {
	all := readFiles(t, s.share)
	maps.DeleteFunc(all, func(id string, _ []byte) bool { return strings.Contains(id, "/@/") })
	return all
}

func (c *computer) end(t *testing.T, signal syscall.Signal) {
	t.Helper()
	_ = c.daemon.Process.Signal(signal)
	if err := c.daemon.Wait(); err != nil && signal == syscall.SIGTERM {
		said, _ := os.ReadFile(filepath.Join(c.dir, "log"))
		t.Errorf("it did not end in good order: %v\n%s", err, said)
	}
}

// One computer records and delivers, is backed up, goes on, and is lost. On another one the journal is restored and goes on:
// nothing of the backup is missing, what was delivered beyond it is known by its ids, no id is issued twice, and the
// destinations get everything.
func TestAJournalIsRestoredOnANewComputer(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	a := s.newComputer(t, "broker.password")
	if err := os.WriteFile(filepath.Join(a.dir, "broker.password"), []byte("planted-broker-password"), 0o600); err != nil {
		t.Fatal(err)
	}
	a.start(t)
	a.weigh(t, 25)
	file := filepath.Join(a.dir, "taken-along.tar")
	if out, why, status := commanded("backup", "create", "--config", a.config, "--out", file); status != 0 {
		t.Fatalf("backup: status %d: %s%s", status, out, why)
	}
	a.weigh(t, 17)
	a.wait(t, "the weighings are behind the broker", func() bool {
		delivered, _ := s.far.counts()
		return delivered == 25+17
	})
	time.Sleep(300 * time.Millisecond) // what is about no balance is delivered too
	a.end(t, syscall.SIGKILL)

	b := s.newComputer(t, "restored-secrets/file/001")
	out, why, status := commanded("backup", "restore", file, "--into", b.journal, "--config", b.config, "--identity", s.identityFile,
		"--key", filepath.Join(a.journal, "key.pub"), "--by", "ada", "--json")
	if status != 0 {
		t.Fatalf("restore: status %d: %s%s", status, out, why)
	}
	var facts restoredFacts
	if err := json.Unmarshal([]byte(out), &facts); err != nil {
		t.Fatal(err)
	}
	beyond := s.deliveredBeyond(t, facts.Entries)
	if m := facts.Missing; m == nil || !slices.Equal(m.IDs, beyond) || m.Delivered != uint64(len(beyond)) || m.First != facts.Entries+1 {
		t.Errorf("known missing: %+v, and delivered beyond the backup were %q", m, beyond)
	}
	if !facts.KeyVouched || len(facts.Reenter) != 0 {
		t.Errorf("restored %+v", facts)
	}
	old := a.issued(t)
	b.printed = 1000
	b.start(t)
	b.weigh(t, 12)
	b.wait(t, "the weighings are behind the broker", func() bool {
		delivered, _ := s.far.counts()
		return delivered == 25+17+12
	})
	b.end(t, syscall.SIGTERM)
	b.judge(t, a, facts, old)
	s.withoutIdentity(t, file)
}

// withoutIdentity restores on a third computer: what must be entered again is said, and once it is, everything works.
func (s *site) withoutIdentity(t *testing.T, file string) {
	t.Helper()
	c := s.newComputer(t, "entered.password")
	out, why, status := commanded("backup", "restore", file, "--into", c.journal, "--config", c.config)
	if status != 0 {
		t.Fatalf("restore: status %d: %s%s", status, out, why)
	}
	for _, want := range []string{"sinks[0].password", "the token for requests over HTTP", "weighpost journal replace-key",
		"sink broker: (nothing could be learnt from it"} { // its password is not there yet
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q:\n%s", want, out)
		}
	}
	if err := os.WriteFile(filepath.Join(c.dir, "entered.password"), []byte("planted-broker-password"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, why, status := commanded("journal", "replace-key", "--config", c.config, "--reason", "it was only on the lost computer", "--by", "ada", "--confirmed-by", "ben"); status != 0 {
		t.Fatalf("replace-key: status %d: %s", status, why)
	}
	c.printed = 2000
	c.start(t)
	c.weigh(t, 3)
	c.end(t, syscall.SIGTERM)
	if out, why, status := commanded("journal", "verify", c.journal); status != 0 || !strings.Contains(out, "ada and ben said") {
		t.Errorf("verify: status %d: %s%s", status, out, why)
	}
}

// deliveredBeyond lists the ids in the share that come after an entry, by their sequence.
func (s *site) deliveredBeyond(t *testing.T, after uint64) (ids []string) {
	t.Helper()
	bySeq := map[uint64]string{}
	for id, raw := range readFiles(t, s.share) {
		if e, err := record.ParseEntry(raw); err == nil && e.Seq > after {
			bySeq[e.Seq] = id
		}
	}
	for _, seq := range slices.Sorted(maps.Keys(bySeq)) {
		ids = append(ids, bySeq[seq])
	}
	return ids
}

// issued are the ids of a computer's journal, with their bytes.
func (c *computer) issued(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	if err := journal.Scan(t.Context(), c.journal, 0, func(e record.Entry) error { all[e.ID] = string(e.JSON); return nil }); err != nil {
		t.Fatal(err)
	}
	return all
}

// restoredFacts is what `backup restore --json` says.
type restoredFacts struct {
	backup.Restoration
	Placed  []backup.Placed `json:"placed"`
	Reenter []string        `json:"enter_again"`
}

// commanded runs the program to its end.
func commanded(args ...string) (out, err string, status int) {
	var o, e bytes.Buffer
	run := exec.Command(built, args...)
	run.Stdout, run.Stderr = &o, &e
	if why := run.Run(); run.ProcessState == nil {
		return "", why.Error(), -1
	}
	return o.String(), e.String(), run.ProcessState.ExitCode()
}

// judge holds the restored journal against the one that was lost, and against what the share holds.
func (b *computer) judge(t *testing.T, a *computer, facts restoredFacts, old map[string]string) {
	t.Helper()
	for _, key := range []string{"", filepath.Join(a.journal, "key.pub")} {
		args := []string{"journal", "verify", b.journal}
		if key != "" {
			args = append(args, "--key", key)
		}
		if out, why, status := commanded(args...); status != 0 || !strings.Contains(out, "restored") {
			t.Errorf("verify with the key %q: status %d: %s%s", key, status, out, why)
		}
	}
	b.far.mu.Lock()
	defer b.far.mu.Unlock()
	for _, f := range b.far.faults {
		t.Error(f)
	}
	seq, share, weighed := uint64(0), readFiles(t, b.share), 0
	for id, raw := range b.issued(t) {
		e, err := record.ParseEntry([]byte(raw))
		if err != nil {
			t.Fatal(err)
		}
		seq++
		switch before, had := old[id]; {
		case e.Seq <= facts.Entries && before != raw:
			t.Errorf("entry %d of the backup is not what the lost journal had", e.Seq)
		case e.Seq > facts.Entries && had:
			t.Errorf("the id %s is issued twice", id)
		}
		if e.Kind == record.KindWeighing && e.Seq > facts.Entries {
			weighed++
		}
		if e.Kind == record.KindWeighing && (string(share[id]) != raw || string(b.far.delivered[id]) != raw) {
			t.Errorf("%s is not in the share and behind the broker as it is in the journal", id)
		}
	}
	if seq < facts.Head || weighed != 12 {
		t.Errorf("%d entries, %d weighings after the restore", seq, weighed)
	}
	for _, p := range facts.Placed {
		if info, err := os.Stat(p.Path); p.Path != "" && (err != nil || info.Mode().Perm() != 0o600) {
			t.Errorf("%s: %v, %v", p.Path, info.Mode(), err)
		}
	}
	out, _, _ := commanded("journal", "list", b.journal, "--kind", "restored", "--json")
	var r record.Restored
	if err := json.Unmarshal([]byte(out), &r); err != nil || r.Missing == nil || r.Missing.Delivered != facts.Missing.Delivered || r.Actor.ID != "ada" {
		t.Errorf("the entry says %.2000s, %v", out, err)
	}
	t.Logf("%d entries from the backup; %d known to be missing, %d of them delivered; %s", facts.Entries, facts.Missing.Last-facts.Entries,
		facts.Missing.Delivered, fmt.Sprintf("%+v", facts.Learnt[len(facts.Learnt)-1]))
}
