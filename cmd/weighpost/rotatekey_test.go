package main

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

func TestTheKeyIsChangedWithoutADaemon(t *testing.T) {
	t.Parallel()
	flags, folder := actAt(t, func(http.ResponseWriter, *http.Request) { t.Error("the page was asked") })
	j, err := journal.Open(t.Context(), journal.Options{Dir: folder, Site: "north-lab"})
	if err != nil {
		t.Fatal(err)
	}
	first := j.PublicKey()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	rotate := func(more ...string) (string, int) {
		return said(t, append([]string{"journal", "rotate-key", "--config", flags.Config}, more...)...)
	}
	if out, status := rotate("--reason", " "); status != 1 || !strings.Contains(out, "needs a reason") {
		t.Errorf("%d %s", status, out)
	}
	out, status := rotate("--reason", "moved to another room", "--by", "Mara")
	now, err := os.ReadFile(filepath.Join(folder, "key.pub"))
	if err != nil || status != 0 || !strings.HasPrefix(out, "entry 1 says that the key was changed") || !strings.HasSuffix(out, string(now)) {
		t.Fatalf("%d %s, %v", status, out, err)
	}
	kept := filepath.Join(t.TempDir(), "first.pub")
	if err := os.WriteFile(kept, []byte(first), 0o600); err != nil {
		t.Fatal(err)
	}
	out, status = said(t, "journal", "verify", folder, "--key", kept)
	if status != 0 || !strings.Contains(out, "from entry 1 on: rotated") {
		t.Errorf("%d %s", status, out)
	}
	var k record.KeyRotated
	if err := json.Unmarshal(entriesIn(t, folder)[0], &k); err != nil || k.By.Name != "Mara" || k.By.By != record.ActorHost ||
		k.Reason != "moved to another room" || k.OldKey != first {
		t.Errorf("%+v, %v", k, err)
	}
}

func TestTheKeyIsChangedThroughTheDaemon(t *testing.T) {
	t.Parallel()
	var asked string
	flags, folder := actAt(t, func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		asked = r.Method + " " + r.URL.Path + " " + string(body)
		_, _ = io.WriteString(w, `{"seq": 9, "old_key": "a", "new_key": "b"}`)
	})
	held(t, folder)
	out, status := said(t, "journal", "rotate-key", "--config", flags.Config, "--reason", "moved", "--by", "Mara", "--json")
	if status != 0 || out != `{"seq":9,"old_key":"a","new_key":"b"}`+"\n" || asked != `POST /api/v1/journal/keys {"by":"Mara","reason":"moved"}` {
		t.Errorf("%d %s asked %s", status, out, asked)
	}
}
