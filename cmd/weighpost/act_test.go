package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/certificate"
	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// actAt makes a configuration with a journal and a daemon's page, both of the test.
func actAt(t *testing.T, handler http.HandlerFunc) (flags hostFlags, folder string) {
	t.Helper()
	daemon := httptest.NewServer(handler)
	t.Cleanup(daemon.Close)
	dir := t.TempDir()
	folder = filepath.Join(dir, "journal")
	text := fmt.Sprintf("site: north-lab\njournal:\n  folder: journal\npage:\n  listen: %s\n", strings.TrimPrefix(daemon.URL, "http://"))
	flags.Config = filepath.Join(dir, "weighpost.yaml")
	if err := os.WriteFile(flags.Config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return flags, folder
}

// held opens a journal as a daemon has it, with the daemon's token, until the test ends.
func held(t *testing.T, folder string) {
	t.Helper()
	j, err := journal.Open(t.Context(), journal.Options{Dir: folder, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := os.WriteFile(filepath.Join(folder, "api.token"), []byte("a-token\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestAnActGoesToTheDaemonThatHoldsTheJournal(t *testing.T) {
	var said string
	flags, folder := actAt(t, func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		said = fmt.Sprint(r.Method, " ", r.URL.Path, " ", r.Header.Get("Authorization"), " ", string(b))
		if strings.Contains(said, "twice") {
			w.WriteHeader(http.StatusConflict)
			json.NewEncoder(w).Encode(map[string]string{"title": "That was done", "detail": "Not \x1b[31magain."})
			return
		}
		fmt.Fprint(w, `{"seq": 7}`)
	})
	held(t, folder)
	var answer struct{ Seq int }
	do := deed{Method: "POST", Path: "/api/v1/acts", Body: map[string]string{"by": "ada"}, Answer: &answer,
		Here: func(context.Context, *config.Config, *journal.Journal) error {
			return fmt.Errorf("the journal was opened beside the daemon")
		}}
	if err := flags.act(t.Context(), do); err != nil {
		t.Fatal(err)
	}
	if want := `POST /api/v1/acts Bearer a-token {"by":"ada"}`; said != want || answer.Seq != 7 {
		t.Errorf("the daemon was told %q and answered %d", said, answer.Seq)
	}
	do.Body = map[string]string{"by": "twice"}
	err := flags.act(t.Context(), do)
	if err == nil || !strings.Contains(err.Error(), "That was done. Not ") || strings.Contains(err.Error(), "\x1b") {
		t.Errorf("a refusal reads %v", err)
	}
}

func TestAnActIsDoneHereWhereNoDaemonRuns(t *testing.T) {
	flags, folder := actAt(t, func(http.ResponseWriter, *http.Request) { t.Error("the page was asked") })
	do := deed{Here: func(ctx context.Context, cfg *config.Config, j *journal.Journal) error {
		_, err := j.Append(ctx, &record.Lifecycle{Stamp: clock.System{}.Stamp(time.Now())})
		return err
	}}
	if err := flags.act(t.Context(), do); err == nil || !strings.Contains(err.Error(), "there is no journal in") {
		t.Fatalf("where there is no journal: %v", err)
	}
	if _, err := os.Stat(folder); err == nil {
		t.Fatal("a folder was made")
	}
	j, err := journal.Open(t.Context(), journal.Options{Dir: folder, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := flags.act(t.Context(), do); err != nil {
		t.Fatal(err)
	}
	if report, err := journal.Verify(t.Context(), folder, "", nil); err != nil || report.Entries != 1 {
		t.Errorf("%d entries, %v", report.Entries, err)
	}
	if who := hostActor("Ada"); who.By != record.ActorHost || who.ID == "" || who.Name != "Ada" {
		t.Errorf("the one at the command is %+v", who)
	}
}

// TestCommandsHoldThePageToItsCertificate: the one that the daemon noted is taken, whatever its names; another is not, and gets
// no token.
func TestCommandsHoldThePageToItsCertificate(t *testing.T) {
	asked := 0
	daemon := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked++
		fmt.Fprint(w, `{"seq": 7}`)
	}))
	dir := t.TempDir()
	folder := filepath.Join(dir, "journal")
	text := fmt.Sprintf("site: north-lab\njournal: {folder: journal}\npage: {listen: %q, tls: {self_made: true}}\n", daemon.Listener.Addr())
	flags := hostFlags{Config: filepath.Join(dir, "weighpost.yaml")}
	if err := os.WriteFile(flags.Config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	held(t, folder)
	keeper := func(folder string) *certificate.Keeper {
		k := certificate.New(certificate.Options{Config: certificate.Config{SelfMade: true}, Folder: folder})
		if err := k.Take(); err != nil {
			t.Fatal(err)
		}
		return k
	}
	ours, other := keeper(folder), keeper(t.TempDir())
	shown := ours
	daemon.Listener = tls.NewListener(daemon.Listener, &tls.Config{GetCertificate: func(h *tls.ClientHelloInfo) (*tls.Certificate, error) { return shown.Get(h) }})
	daemon.Config.ErrorLog = log.New(io.Discard, "", 0)
	daemon.Start()
	t.Cleanup(daemon.Close)
	do := deed{Method: "POST", Path: "/api/v1/acts", Body: map[string]string{"by": "ada"}}
	if err := flags.act(t.Context(), do); err != nil || asked != 1 {
		t.Fatalf("asked %d times: %v", asked, err)
	}
	shown = other
	if err := flags.act(t.Context(), do); err == nil || !strings.Contains(err.Error(), "another certificate") || asked != 1 {
		t.Errorf("another certificate: asked %d times, %v", asked, err)
	}

	var out strings.Builder
	if err := (certificateCommand{Config: flags.Config}).Run(streams{out: &out}); err != nil {
		t.Fatal(err)
	}
	facts, _ := ours.Facts()
	for _, want := range []string{"SHA-256      " + facts.Fingerprint + "\n", "localhost", facts.Until.Format(time.RFC3339), "by weighpost itself\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	out.Reset()
	if err := (certificateCommand{Config: flags.Config, JSON: true}).Run(streams{out: &out}); err != nil || !strings.Contains(out.String(), `"self_made":true`) || !json.Valid([]byte(out.String())) {
		t.Errorf("%s %v", out.String(), err)
	}
	shown = ours
	if page, known, err := (watchCommand{Config: flags.Config}).page(); err != nil || known.pin == nil || known.token != "a-token" || page != strings.Replace(daemon.URL, "http:", "https:", 1) {
		t.Errorf("watch would ask %s: %v", page, err)
	}
}
