package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"weighpost/gateway/needs"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/qualification"
	"weighpost/sinks/mqtt/mosquitto"
)

// qualified is an installation on a computer of its own folder: the program, time servers, a broker, a loop in place of a balance.
type qualified struct {
	dir, program, config, page string
	servers                    []string // the last is three seconds off
	broker                     *mosquitto.Broker
	daemon, loop               *exec.Cmd
}

// begin runs a program until the test ends, or end.
func begin(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(args[0], args[1:]...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if cmd.ProcessState == nil {
			_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
			_ = cmd.Wait()
		}
		if t.Failed() {
			t.Logf("%s: %s", args[0], said.String())
		}
	})
	return cmd
}

// await waits until something is so.
func await(t *testing.T, what string, is func() bool) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("after 20 s it is not so: %s", what)
		}
	}
}

// freeOn gives an address of loopback that was free just now.
func freeOn(t *testing.T, network string) string {
	t.Helper()
	if network == "udp" {
		c, err := net.ListenPacket("udp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		return c.LocalAddr().String()
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// timeServer is a real one, on loopback, that leaves the computer's clock alone.
func timeServer(t *testing.T, before ...string) string {
	t.Helper()
	dir, at := t.TempDir(), freeOn(t, "udp")
	_, port, _ := net.SplitHostPort(at)
	conf := filepath.Join(dir, "chrony.conf")
	writeFile(t, conf, fmt.Appendf(nil, "port %s\nbindaddress 127.0.0.1\ncmdport 0\nbindcmdaddress /\nallow 127.0.0.1\nuser root\npidfile %s/pid\nlocal stratum 3\n", port, dir))
	begin(t, append(before, "chronyd", "-x", "-d", "-f", conf)...)
	return at
}

func newQualified(t *testing.T) *qualified {
	t.Helper()
	needs.Root(t, "to run a time server")
	needs.Programs(t, "chronyd", "faketime", "socat")
	q := &qualified{dir: t.TempDir(), page: freeOn(t, "tcp"), broker: mosquitto.Start(t, mosquitto.Options{})}
	q.program, q.config = filepath.Join(q.dir, "weighpost"), filepath.Join(q.dir, "weighpost.yaml")
	if os.Link(built, q.program) != nil { // on another file system
		text, err := os.ReadFile(built)
		if err = errors.Join(err, os.WriteFile(q.program, text, 0o755)); err != nil {
			t.Fatal(err)
		}
	}
	q.servers = []string{timeServer(t), timeServer(t), timeServer(t, "faketime", "-f", "+3s")}
	layout, err := filepath.Abs("../../testdata/layouts/fixed-line.yaml")
	if err = errors.Join(err, os.Mkdir(filepath.Join(q.dir, "out"), 0o755), os.Mkdir(filepath.Join(q.dir, "reports"), 0o755)); err != nil {
		t.Fatal(err)
	}
	writeFile(t, q.config, fmt.Appendf(nil, `site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: %q}
clock: {servers: ["%s"], timeout: 500ms}
people: {visitors: nothing, roles: {stock-keeper: [see, own-account, containers]}}
balances:
- {id: b-12, port: {address: %q}, layout: %q}
sinks:
- {id: broker, kind: mqtt, broker: %q, entries: [weighing, sink-tried]}
- {id: share, kind: files, folder: %q, entries: [all]}
%s`, q.page, strings.Join(q.servers, `", "`), filepath.Join(q.dir, "loop"), layout, q.broker.URL(), filepath.Join(q.dir, "out"), q.patient()))
	q.loop = begin(t, "socat", "PTY,rawer,link="+filepath.Join(q.dir, "loop"), "PIPE")
	q.daemon = begin(t, q.program, "run", "--config", q.config)
	await(t, "the page answers", func() bool {
		resp, err := http.Get("http://" + q.page + "/healthz")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
	return q
}

// patient is a destination that gets weighings and checkpoints alone. A checkpoint comes at most once a minute: too long for each run.
func (q *qualified) patient() string {
	if os.Getenv("WEIGHPOST_LONG") == "" {
		return ""
	}
	return fmt.Sprintf("- {id: quiet, kind: mqtt, broker: %q, topic_prefix: quiet}\n", q.broker.URL())
}

// qualify runs the command, and gives its exit status, the report, and its file.
func (q *qualified) qualify(t *testing.T, args ...string) (status int, by map[string]qualification.Test, file string) {
	t.Helper()
	cmd := exec.Command(q.program, append([]string{"qualify", "--config", q.config, "--out", filepath.Join(q.dir, "reports"), "--by", "Ada Ohm", "--json"}, args...)...)
	var out, why bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &why
	_ = cmd.Run() // its status is looked at
	var r qualification.Report
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatalf("%v: status %d: %s%s", err, cmd.ProcessState.ExitCode(), out.String(), why.String())
	}
	by = map[string]qualification.Test{}
	for _, one := range r.Tests {
		by[one.ID] = one
	}
	return cmd.ProcessState.ExitCode(), by, filepath.Join(q.dir, "reports", r.ID+qualification.EndJSON)
}

// cameOut holds the outcomes of tests.
func cameOut(t *testing.T, by map[string]qualification.Test, outcome string, ids ...string) {
	t.Helper()
	for _, id := range ids {
		if one, there := by[id]; !there || one.Outcome != outcome {
			t.Errorf("%s: there %v, %q and not %q: %s\n%s", id, there, one.Outcome, outcome, one.Why, one.Seen)
		}
	}
}

// TestAnInstallationIsQualified: with a daemon that runs, real time servers of which one lies, a real broker and a folder; then with what breaks:
// a broker that is gone, a secret that others may read, a configuration that the daemon does not have; then its port, looped by socat and not.
func TestAnInstallationIsQualified(t *testing.T) {
	t.Parallel()
	q := newQualified(t)
	args := []string{"--skip", "roles=they have a test of their own, which costs less"}
	if q.patient() != "" {
		args = nil
	}
	status, by, file := q.qualify(t, args...)
	cameOut(t, by, qualification.Passed, "installation.program", "installation.configuration", "installation.rights", "installation.space", "clock.server."+q.servers[0],
		"clock.server."+q.servers[1], "clock.stamp", "journal.verify", "journal.edited", "journal.shortened", "backup.restore", "backup.altered", "sinks.broker", "sinks.share",
		"kill.acknowledged")
	if q.patient() != "" {
		cameOut(t, by, qualification.Passed, "sinks.quiet", "roles.routes", "roles.strangers")
		t.Logf("sinks.quiet: %s", by["sinks.quiet"].Seen)
	}
	cameOut(t, by, qualification.Failed, "clock.server."+q.servers[2])
	cameOut(t, by, qualification.NotDone, "ports.b-12", "kill.power")
	if status != 1 || !strings.Contains(by["clock.server."+q.servers[2]].Why, "falseticker") || !strings.Contains(by["ports.b-12"].Why, "The daemon holds the port") {
		t.Errorf("status %d: %s; %s", status, by["clock.server."+q.servers[2]].Why, by["ports.b-12"].Why)
	}
	for _, id := range []string{"sinks.broker", "sinks.share", "kill.acknowledged", "backup.restore", "clock.stamp"} {
		t.Logf("%s: %s", id, by[id].Seen)
	}
	q.signed(t, file)
	q.broken(t)
	q.looped(t)
}

// signed holds the report against its schema and its signature, and a changed one is found out.
func (q *qualified) signed(t *testing.T, file string) {
	t.Helper()
	schema, err := jsonschema.NewCompiler().Compile("../../configs/qualification.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err == nil {
		err = schema.Validate(doc)
	}
	if err != nil {
		t.Error(err)
	}
	key := filepath.Join(q.dir, "journal", "key.pub")
	validate := func() (int, string) {
		var out, why bytes.Buffer
		status := run([]string{"validate", "qualification", strings.TrimSuffix(file, ".json") + ".pdf", "--key", key}, streams{in: strings.NewReader(""), out: &out, err: &why})
		return status, out.String() + why.String()
	}
	if status, said := validate(); status != 0 || strings.Count(said, "signed ") != 2 {
		t.Errorf("status %d: %s", status, said)
	}
	writeFile(t, file, bytes.Replace(text, []byte(`"failed"`), []byte(`"passed"`), 1))
	if status, said := validate(); status != 1 || !strings.Contains(said, "is not the one that was signed") {
		t.Errorf("a changed report: status %d: %s", status, said)
	}
}

// broken has things broken, each of which is found.
func (q *qualified) broken(t *testing.T) {
	t.Helper()
	q.broker.Stop(t)
	text, err := os.ReadFile(q.config)
	if err = errors.Join(err, os.Chmod(filepath.Join(q.dir, "journal", "secrets.json"), 0o644)); err != nil {
		t.Fatal(err)
	}
	writeFile(t, q.config, append(text, "log: {level: warn}\n"...))
	status, by, _ := q.qualify(t, "--only", "sinks,installation", "--skip", "installation.sync=it is tried elsewhere", "--patience", "2s", "--expect", strings.Repeat("0", 64))
	cameOut(t, by, qualification.Failed, "sinks.broker", "installation.rights", "installation.configuration", "installation.program")
	cameOut(t, by, qualification.Passed, "sinks.share")
	cameOut(t, by, qualification.NotDone, "installation.sync", "kill.acknowledged")
	if status != 1 || !strings.Contains(by["installation.rights"].Why, "chmod 600") {
		t.Errorf("status %d: %s", status, by["installation.rights"].Why)
	}
	t.Logf("with the broker gone: %s", by["sinks.broker"].Why)
}

// looped frees the port, and has it tried with a loop and without.
func (q *qualified) looped(t *testing.T) {
	t.Helper()
	if err := q.daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	_ = q.daemon.Wait()
	args := []string{"--only", "ports", "--loop", "b-12"}
	status, by, _ := q.qualify(t, args...)
	cameOut(t, by, qualification.Passed, "ports.b-12")
	if status != 0 {
		t.Errorf("status %d", status)
	}
	t.Log(by["ports.b-12"].Seen)
	_ = syscall.Kill(-q.loop.Process.Pid, syscall.SIGKILL)
	_ = q.loop.Wait()
	_ = os.Remove(filepath.Join(q.dir, "loop"))
	cord := pty.NewCord(filepath.Join(q.dir, "loop"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	defer cord.Pull()
	status, by, _ = q.qualify(t, args...)
	cameOut(t, by, qualification.Failed, "ports.b-12")
	if status != 1 || !strings.Contains(by["ports.b-12"].Why, "Nothing came back") {
		t.Errorf("status %d: %s", status, by["ports.b-12"].Why)
	}
}
