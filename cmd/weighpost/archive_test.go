package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"

	"weighpost/gateway/journal"
	"weighpost/gateway/journal/journaltest"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/postgres/pgtest"
)

// TestTheManualsWayThroughTheArchive walks the page "sites" with the commands that it gives: a real journal and sink at one end, an instance of the
// archive at the other, an auditor, and somebody who tries out the broker by hand.
func TestTheManualsWayThroughTheArchive(t *testing.T) {
	servers := natstest.Start(t, natstest.Options{})
	pg := pgtest.Start(t, pgtest.Options{})
	dir, ctx := t.TempDir(), t.Context()
	j := journaltest.Open(t, journal.Options{Dir: filepath.Join(dir, "journal"), Site: "north-lab"})
	sink := archiveSink(t, servers.URLs())
	files := map[string]string{"north.pub": j.PublicKey(), "password": pgtest.Password, "archive.yaml": fmt.Sprintf(
		"nats: {servers: [%q]}\ndatabase: {server: %q, database: postgres, user: %s, password: %q}\ngateways: {keys_file: north.pub}\ncosigner: archive.key\n",
		servers.URLs()[0], pg.Addr(), pgtest.Keeper, "file:"+filepath.Join(dir, "password"))}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	say := commandLine(t, dir)
	public, _ := say(0, "archive", "key", "archive.key", "--name", "archive.seedbank.example")
	if err := os.WriteFile(filepath.Join(dir, "archive.pub"), []byte(public), 0o600); err != nil {
		t.Fatal(err)
	}
	handOver(ctx, t, j, sink)
	instanceOfTheArchive(t, dir)
	origin := "weighpost/north-lab/" + j.Incarnation()
	sayUntil(t, say, 0, origin+"  verified  3     3         3", "archive", "status", "-c", "archive.yaml")

	checkpoint, _ := say(0, "archive", "checkpoint", origin, "-c", "archive.yaml")
	if err := os.WriteFile(filepath.Join(dir, "north.checkpoint"), []byte(checkpoint), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, _ := say(0, "validate", "checkpoint", "north.checkpoint", "--key", "north.pub", "--cosigner", "archive.pub"); !strings.Contains(out, "by archive.seedbank.example+") {
		t.Error(out)
	}
	say(0, "journal", "verify", "journal", "--key", "north.pub", "--against", "north.checkpoint")

	entries, err := j.Read(ctx, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	publishByHand(t, servers.URLs()[0], "weighpost.north-lab.b-1.weighing", bytes.Replace(entries[0].JSON, []byte(`"12.001"`), []byte(`"12.010"`), 1))
	sayUntil(t, say, 1, "published a second time with other bytes", "archive", "status", "-c", "archive.yaml")
	if out, _ := say(0, "archive", "status", "-c", "archive.yaml", "--evidence", "--site", "north-lab"); !strings.Contains(out, "a second time") {
		t.Error(out)
	}
	if out, _ := say(1, "archive", "status", "-c", "archive.yaml", "--json"); !strings.Contains(out, `"state":"in dispute"`) {
		t.Error(out)
	}
	say(0, "archive", "settle", origin, "--by", "mbe", "--reason", "the broker was tried out by hand", "-c", "archive.yaml")
	sayUntil(t, say, 0, "verified", "archive", "status", "-c", "archive.yaml")
	if _, why := say(1, "archive", "settle", origin, "--by", "mbe", "--reason", "again", "-c", "archive.yaml"); !strings.Contains(why, "no journal "+origin+" that is in dispute") {
		t.Error(why)
	}
}

func archiveSink(t *testing.T, urls []string) *nats.Sink {
	t.Helper()
	c := nats.Default()
	c.Servers, c.Create, c.Replicas = urls, true, 1
	sink, err := nats.New(*c, "archive", sinks.Env{Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = sink.Close() })
	return sink
}

// handOver records three weighings, and delivers them and the checkpoint.
func handOver(ctx context.Context, t *testing.T, j *journal.Journal, sink *nats.Sink) {
	t.Helper()
	for i := range 3 {
		w := &record.Weighing{Balance: record.Balance{ID: "b-1"}, Value: record.Value{Digits: fmt.Sprintf("12.%03d", i+1), Unit: "g", Kind: "net", Stability: "stable",
			Range: "in"}, Frame: []byte("N\r\n"), Trigger: "printed", Port: "sim", Stamp: record.Stamp{UTC: record.UTC(time.Now().UTC()), Zone: "+00:00", Clock: record.ClockUnchecked}}
		if _, err := j.Append(ctx, w); err != nil {
			t.Fatal(err)
		}
	}
	entries, err := j.Read(ctx, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := sink.Deliver(ctx, entries); err != nil {
		t.Fatal(err)
	}
	_, signed, err := j.Checkpoint(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := sink.Checkpoint(ctx, signed); err != nil {
		t.Fatal(err)
	}
}

// commandLine runs the program in a folder, as a person does, and wants a status.
func commandLine(t *testing.T, dir string) func(status int, args ...string) (out, why string) {
	path := program(t, dir)
	return func(status int, args ...string) (string, string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), path, args...)
		var out, why bytes.Buffer
		cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &out, &why
		_ = cmd.Run() // its status tells
		if status >= 0 && cmd.ProcessState.ExitCode() != status {
			t.Fatalf("weighpost %s: status %d: %s%s", strings.Join(args, " "), cmd.ProcessState.ExitCode(), out.String(), why.String())
		}
		return out.String(), why.String()
	}
}

// sayUntil asks again until what is said holds some words, and then wants the status.
func sayUntil(t *testing.T, say func(int, ...string) (string, string), status int, words string, args ...string) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		out, why := say(-1, args...)
		if strings.Contains(out, words) {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("weighpost %s does not come to say %q: %s%s", strings.Join(args, " "), words, out, why)
		}
	}
	say(status, args...)
}

// instanceOfTheArchive runs until the test ends, and has to end in good order then.
func instanceOfTheArchive(t *testing.T, dir string) {
	t.Helper()
	cmd := exec.Command(filepath.Join(dir, "weighpost"), "archive", "run", "--config", "archive.yaml")
	var why bytes.Buffer
	cmd.Dir, cmd.Stderr = dir, &why
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			t.Errorf("the instance ended with %v: %s", err, why.String())
		}
	})
}

// publishByHand publishes a message as somebody does who has the rights of a gateway and no sink.
func publishByHand(t *testing.T, url, subject string, body []byte) {
	t.Helper()
	conn, err := natsgo.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.Publish(subject, body); err != nil {
		t.Fatal(err)
	}
	if err := conn.Flush(); err != nil {
		t.Fatal(err)
	}
}
