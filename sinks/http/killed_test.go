package http

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks/sinktest"
)

// keptIn is the variable that makes this test program a receiver, which keeps what it gets in a file of that name.
const keptIn = "WEIGHPOST_TEST_KEPT_IN"

// keep is a receiver in a process of its own: a request is a line of the file before it is answered.
func keep(address, file string) {
	f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	err = http.ListenAndServe(address, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		line, _ := json.Marshal(sinktest.Arrival{Name: r.Header.Get("Idempotency-Key"), Body: body})
		if _, err := f.Write(append(line, '\n')); err != nil {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		w.WriteHeader(http.StatusCreated)
	}))
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// kept reads such a file.
func kept(t *testing.T, file string) (list []sinktest.Arrival) {
	t.Helper()
	all, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(all) {
		var a sinktest.Arrival
		if err := json.Unmarshal(line, &a); err != nil {
			t.Fatalf("%v: %.80q", err, line)
		}
		list = append(list, a)
	}
	return list
}

// TestServerKilledInMidWrite kills a server that is a process of its own, again and again, while requests go to it.
func TestServerKilledInMidWrite(t *testing.T) {
	rounds, random := needs.Rounds(t, 5, 50)
	address, file := needs.FreeAddress(t), filepath.Join(t.TempDir(), "kept")
	var server *exec.Cmd
	start := func() {
		server = exec.Command(os.Args[0], address)
		server.Env, server.Stderr = append(os.Environ(), keptIn+"="+file), os.Stderr
		if err := server.Start(); err != nil {
			t.Fatal(err)
		}
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if c, err := net.Dial("tcp", address); err == nil {
				c.Close()
				return
			}
		}
		t.Error("the server did not start")
	}
	end := func() {
		_ = server.Process.Kill()
		_ = server.Wait() // a signal is how it is meant to end
	}
	start()
	defer func() { end() }()
	c := *Default()
	c.URL, c.Timeout = "http://"+address+"/weighings", 2e9
	entries := sinktest.Weighings(rounds*200, 5)
	amid := sinktest.Amid(t, openSink(t, c), entries, rounds, random, func(int) { end(); start() })
	got := kept(t, file)
	keyed(t, entries, got)
	sinktest.Judge(entries, got).Hold(t, "the server killed", rounds, amid, len(entries))
}
