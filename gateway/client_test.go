//go:build linux

package gateway_test

import (
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/needs"
)

const clientDir = "../testdata/client"

// TestAGeneratedClientWorks has a generator that is not ours (@hey-api/openapi-ts, pinned with its dependencies by package-lock.json) make
// a client in TypeScript of the running daemon's own description, has the TypeScript compiler judge what uses it, and runs that with
// a program's key against the daemon.
func TestAGeneratedClientWorks(t *testing.T) {
	t.Parallel() // it mostly waits for other programs
	needs.Programs(t, "node", "npm")
	dir := t.TempDir()
	for _, name := range []string{"package.json", "package-lock.json", "tsconfig.json", "run.ts"} {
		text, err := os.ReadFile(filepath.Join(clientDir, name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), text, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	haveModules(t, dir)
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	h.start(t, asked)
	defer h.stop(t)
	defer http.DefaultClient.CloseIdleConnections()
	status, doc := request(t, h.Gateway, "GET", "api/v1/openapi.json", "", "")
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, doc)
	}
	if err := os.WriteFile(filepath.Join(dir, "openapi.json"), doc, 0o644); err != nil {
		t.Fatal(err)
	}
	node(t, dir, "node_modules/@hey-api/openapi-ts/bin/index.cjs", "-i", "openapi.json", "-o", "client", "-c", "@hey-api/client-fetch")
	node(t, dir, "node_modules/typescript/bin/tsc", "-p", ".")
	out := node(t, dir, "out/run.js", strings.TrimSuffix(h.PageURL(), "/"), h.programKey(t))
	var got struct {
		Recorded, Pages, Streamed   []string
		Again, Next, Sample, Digits string
		Status                      int
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if len(got.Recorded) != 4 || !slices.IsSorted(got.Recorded) || !slices.Equal(got.Recorded, got.Pages) || !slices.Equal(got.Recorded, got.Streamed) ||
		got.Again != got.Recorded[1] || got.Next != got.Recorded[0] || got.Sample != "LOT-1003" || got.Digits != "12.345" || got.Status != http.StatusNotFound {
		t.Errorf("%s", out)
	}
}

// programKey makes a key for a program, with the host's token.
func (h *house) programKey(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	status, body := request(t, h.Gateway, "POST", "api/v1/keys", strings.TrimSpace(string(b)), `{"id": "lims-1", "name": "Lab system", "roles": ["machine"], "reason": "a test"}`)
	var made struct{ Key string }
	if err := json.Unmarshal(body, &made); err != nil || made.Key == "" {
		t.Fatalf("%d %s", status, body)
	}
	return made.Key
}

// haveModules puts the modules of the lock file into a folder: those that were installed beside it, or from npm's registry.
func haveModules(t *testing.T, dir string) {
	t.Helper()
	if at, err := filepath.Abs(filepath.Join(clientDir, "node_modules")); err == nil {
		if _, err := os.Stat(at); err == nil {
			if err := os.Symlink(at, filepath.Join(dir, "node_modules")); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	npm := exec.CommandContext(t.Context(), "npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--fetch-retries", "1", "--fetch-timeout", "20000")
	npm.Dir = dir
	out, err := npm.CombinedOutput()
	needs.That(t, err == nil, "the modules of testdata/client (npm ci there): "+string(out[max(0, len(out)-300):]))
}

func node(t *testing.T, dir string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "node", args...)
	var errs strings.Builder
	cmd.Dir, cmd.Stderr = dir, &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("node %s: %v\n%s%s", args[0], err, out, errs.String())
	}
	return out
}
