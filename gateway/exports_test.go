//go:build linux

package gateway_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/export"
	"weighpost/gateway/journal"
)

// fetch asks a running daemon for an export, and reads all of it.
func fetch(t *testing.T, d *daemon, query string) (resp *http.Response, body []byte) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.PageURL()+"api/v1/export?"+query, nil)
	if err != nil {
		t.Fatal(err)
	}
	if resp, err = http.DefaultClient.Do(req); err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, err = io.ReadAll(resp.Body); err != nil {
		t.Fatal(err)
	}
	return resp, body
}

// unpack puts the files of an archive into a folder, as a person would, and gives their names.
func unpack(t *testing.T, archive []byte) (dir string, names []string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	dir = t.TempDir()
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, filepath.Base(f.Name)), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, f.Name)
	}
	return dir, names
}

// TestExportsOverHTTPAreThoseOfTheJournal: each is held against the journal once the daemon has ended.
func TestExportsOverHTTPAreThoseOfTheJournal(t *testing.T) {
	d := newDaemon(t, daemonOptions{})
	d.start(t)
	defer http.DefaultClient.CloseIdleConnections()
	for n := range 5 {
		if _, err := d.cords[0].Write(line(12345 + n)); err != nil {
			t.Fatal(err)
		}
	}
	until(t, func() bool { return d.Balances()[0].Recorded == 5 }, "not everything is recorded")
	dirs := map[string]string{}
	for _, f := range export.Formats() {
		resp, archive := fetch(t, d, "pack=zip&format="+f)
		if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "application/zip" {
			t.Fatalf("%s: %d %s", f, resp.StatusCode, archive)
		}
		dir, names := unpack(t, archive)
		if len(names) != 2 || !strings.HasPrefix(names[0], "seed-bank-audit-trail-2") || names[1] != names[0]+export.ManifestSuffix {
			t.Errorf("%s: the archive holds %v", f, names)
		}
		dirs[f] = filepath.Join(dir, names[1])
	}
	resp, lines := fetch(t, d, "format=ndjson&kind=weighing&balance=b-1")
	if resp.StatusCode != 200 || bytes.Count(lines, []byte("\n")) != 5 || !strings.HasPrefix(resp.Header.Get("Content-Disposition"), `attachment; filename="seed-bank-`) {
		t.Errorf("%d %v %s", resp.StatusCode, resp.Header, lines)
	}
	text, err := base64.StdEncoding.DecodeString(strings.Trim(resp.Trailer.Get("Weighpost-Manifest"), ":"))
	var m export.Manifest
	if err != nil || json.Unmarshal(text, &m) != nil || m.Entries != 5 || m.Filter != `entries with kind weighing, balance "b-1"` || m.Beyond != 0 {
		t.Errorf("%v %s", err, text)
	}
	for _, bad := range []string{"", "format=xml", "format=csv&colour=red", "format=csv&from=yesterday", "format=pdf&spreadsheet=true", "format=csv&pack=tar", "format=csv&format=pdf"} {
		if resp, answer := fetch(t, d, bad); resp.StatusCode != 422 {
			t.Errorf("%q is answered with %d %s", bad, resp.StatusCode, answer)
		}
	}
	if !slices.Contains(d.parameters(), "sample") {
		t.Errorf("the description names %v", d.parameters())
	}
	d.stop(t)
	src, err := export.Open(context.Background(), d.cfg.Journal.Folder)
	if err != nil {
		t.Fatal(err)
	}
	for f, manifest := range dirs {
		v, err := export.Validate(context.Background(), manifest, "", export.Check{Journal: src, Version: "another"})
		if err != nil || !v.Valid || !strings.Contains(strings.Join(v.Shown, "\n"), "the same file, byte for byte") {
			t.Errorf("%s: %+v %v", f, v, err)
		}
	}
	if journal.InUse(d.cfg.Journal.Folder) {
		t.Error("the daemon still holds its journal")
	}
}

// parameters lists what the daemon says that a request for an export may say.
func (d *daemon) parameters() (names []string) {
	for _, p := range d.ExportParameters() {
		if p.About == "" {
			return nil
		}
		names = append(names, p.Name)
	}
	return names
}
