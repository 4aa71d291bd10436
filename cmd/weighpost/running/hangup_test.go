//go:build linux

package running

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// TestHangupReadsTheConfigurationAnew sends SIGHUP to the real program: a good file holds from then on, a bad one changes
// nothing and is said on the page and in the log, and the program goes on each time.
func TestHangupReadsTheConfigurationAnew(t *testing.T) {
	dir := t.TempDir()
	cord := pty.NewCord(filepath.Join(dir, "port"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	defer cord.Pull()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("layout.yaml", "line: \"{weight 10} {unit 1}\"\n")
	config := func(place string) string {
		return fmt.Sprintf("site: seed-bank\njournal: {folder: journal}\npage: {listen: \"127.0.0.1:0\"}\nbalances:\n"+
			"- {id: b-1, place: %s, port: {address: %q, speed: 115200}, layout: layout.yaml}\n", place, cord.Path())
	}
	write("weighpost.yaml", config("cold room"))

	daemon := exec.Command(built, "run", "--config", filepath.Join(dir, "weighpost.yaml"))
	var log strings.Builder
	daemon.Stderr = &log
	out, err := daemon.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	defer daemon.Process.Kill()
	first, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	page := strings.TrimSpace(first[strings.Index(first, "http"):])
	says := func(what string) func() bool {
		return func() bool { return strings.Contains(get(t, page+"metrics"), what) }
	}
	hangup := func() {
		if err := daemon.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}

	waitUntil(t, "the port is opened", says(`weighpost_port_up{balance="b-1"} 1`))
	write("weighpost.yaml", config("warm room"))
	hangup()
	waitUntil(t, "the reload is told", says(`weighpost_reloads_total{result="taken"} 1`))
	write("weighpost.yaml", config("[warm room"))
	hangup()
	waitUntil(t, "the refusal is told", says(`weighpost_reloads_total{result="refused"} 1`))
	if ready := get(t, page+"readyz"); !strings.Contains(ready, "configuration-refused") || !strings.Contains(ready, "weighpost.yaml") {
		t.Errorf("/readyz says %s", ready)
	}
	time.Sleep(60 * time.Millisecond)
	if _, err := fmt.Fprintf(cord, "%6d.%03d g\r\n", 12, 345); err != nil {
		t.Fatal(err)
	}
	waitUntil(t, "the weighing is recorded", says(`weighpost_recorded_total{balance="b-1"} 1`))
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Fatalf("the end: %v\n%s", err, log.String())
	}
	if !strings.Contains(log.String(), "the configuration was refused") {
		t.Errorf("the log says nothing of the bad file:\n%s", log.String())
	}
	checkHangups(t, filepath.Join(dir, "journal"))
}

// checkHangups holds the journal of a start, a reload that was taken and one that was not against what a weighing says.
func checkHangups(t *testing.T, dir string) {
	t.Helper()
	var configured []record.Configured
	var weighing record.Weighing
	ups := 0
	err := journal.Scan(t.Context(), dir, 0, func(e record.Entry) error {
		switch e.Kind {
		case record.KindConfigured:
			configured = append(configured, record.Configured{})
			return json.Unmarshal(e.JSON, &configured[len(configured)-1])
		case record.KindPortUp:
			ups++
		case record.KindWeighing:
			return json.Unmarshal(e.JSON, &weighing)
		}
		return nil
	})
	if err != nil || len(configured) != 3 || ups != 1 {
		t.Fatalf("%d configurations, the port came up %d times, %v", len(configured), ups, err)
	}
	if configured[1].Refused != "" || configured[2].Refused == "" {
		t.Errorf("%+v", configured)
	}
	if weighing.Balance.Place != "warm room" || weighing.Software.Config != configured[1].To {
		t.Errorf("the weighing says %+v, %+v", weighing.Balance, weighing.Software)
	}
}

func get(t *testing.T, url string) string {
	t.Helper()
	answer, err := http.Get(url)
	if err != nil {
		return err.Error()
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

func waitUntil(t *testing.T, what string, f func() bool) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); !f(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("it does not come to this: %s", what)
		}
	}
}
