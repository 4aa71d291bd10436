package running

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
)

// TestEachRequestOfAFileIsCarriedOutOnce drops files with requests and samples while the daemon is killed at random moments: each request
// is one entry, and each file has one answer, which says that all of it was carried out.
func TestEachRequestOfAFileIsCarriedOutOnce(t *testing.T) {
	t.Parallel()
	rounds, _, dice := needs.Kills(t, 4)
	r, _ := followRig(t)
	folder := filepath.Join(t.TempDir(), "requests")
	text, err := os.ReadFile(r.config)
	if err != nil {
		t.Fatal(err)
	}
	more := fmt.Sprintf("requests: {folder: %q, every: 200ms}\nsamples: {elsewhere: accept}\n", folder)
	if err := os.WriteFile(r.config, append(text, more...), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	const perFile, perRound = 3, 10
	files, want := 0, map[string]int{} // by sample
	put := func() {
		name, body := fmt.Sprintf("f-%04d.json", files), ""
		for n := range perFile {
			id := fmt.Sprintf("LOT-%d-%d", files, n)
			want[id] = 1
			body += fmt.Sprintf(`, {"balance": "b-%d", "sample": {"id": %q}}`, n%2+1, id)
		}
		body = "[" + body[1:] + "]"
		if files%3 == 2 {
			name, body = fmt.Sprintf("f-%04d.samples.csv", files), "id\n"
			for n := range perFile {
				body += fmt.Sprintf("LOT-%d-%d\n", files, n)
			}
		}
		files++
		part := filepath.Join(folder, name+".part")
		if err := os.WriteFile(part, []byte(body), 0o640); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(part, filepath.Join(folder, name)); err != nil {
			t.Fatal(err)
		}
	}
	answers := func() int {
		list, _ := filepath.Glob(filepath.Join(folder, "taken", "*.answer.json"))
		return len(list)
	}
	for range rounds {
		daemon := r.start(t)
		before := answers()
		for range perRound {
			put()
		}
		comesAbout(t, func() bool { return answers() > before }, "no file is answered")
		time.Sleep(time.Duration(dice.IntN(40)) * time.Millisecond)
		_ = daemon.Process.Signal(syscall.SIGKILL)
		_ = daemon.Wait()
	}
	daemon := r.start(t)
	defer func() {
		if t.Failed() {
			t.Logf("%d of %d files are answered; the log:\n%s", answers(), files, r.log(t))
		}
	}()
	comesAbout(t, func() bool { return answers() == files }, "files stay without their answer")
	_ = daemon.Process.Signal(syscall.SIGTERM)
	if err := daemon.Wait(); err != nil {
		t.Errorf("the daemon did not end in good order: %v", err)
	}
	found := 0
	for _, dir := range []string{"taken", "refused", "working"} {
		list, err := os.ReadDir(filepath.Join(folder, dir))
		if err != nil {
			t.Fatal(err)
		}
		if n := map[string]int{"taken": 2 * files}[dir]; len(list) != n && !(dir == "working" && onlyParts(list)) {
			t.Errorf("%d names in %s, and there should be %d", len(list), dir, n)
		}
		for _, e := range list {
			if strings.HasSuffix(e.Name(), ".answer.json") {
				found += interrupted(t, filepath.Join(folder, dir, e.Name()), perFile)
			}
		}
	}
	got := map[string]int{}
	if err := journal.Scan(t.Context(), r.journal, 0, func(e record.Entry) error { return countDropped(e, got) }); err != nil {
		t.Fatal(err)
	}
	for id := range want {
		if got[id] != 1 {
			t.Errorf("%s was carried out %d times", id, got[id])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d were carried out, and %d were asked for", len(got), len(want))
	}
	t.Logf("%d files, %d requests; %d found in the journal without their answer", files, len(want), found)
}

// onlyParts says whether nothing but answers that were cut off is left.
func onlyParts(list []os.DirEntry) bool {
	for _, e := range list {
		if !strings.HasSuffix(e.Name(), ".answer.part") {
			return false
		}
	}
	return true
}

// interrupted holds an answer to all of its requests being carried out, and counts those that were looked up in the journal.
func interrupted(t *testing.T, path string, want int) (n int) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var a struct {
		Done, Refused int
		Requests      []struct{ Entry string }
		Samples       *record.SamplesTaken
	}
	if err := json.Unmarshal(b, &a); err != nil {
		t.Fatalf("%s is not whole: %v", path, err)
	}
	if a.Samples != nil && a.Samples.New != want || a.Samples == nil && a.Done != want || a.Refused != 0 {
		t.Errorf("%s: %s", path, b)
	}
	for _, q := range a.Requests {
		if q.Entry != "" {
			n++
		}
	}
	return n
}

// countDropped counts, by sample, what files had carried out.
func countDropped(e record.Entry, got map[string]int) error {
	if e.Kind != record.KindContextChanged && e.Kind != record.KindSampleAnnounced {
		return nil
	}
	var c struct {
		Cause, Change string
		By            *record.Actor
		After         struct{ Sample *record.Learnt }
		Sample        struct{ ID string }
	}
	if err := json.Unmarshal(e.JSON, &c); err != nil {
		return err
	}
	switch {
	case c.By == nil || c.By.By != record.ActorFile:
	case c.Cause == "set" && c.After.Sample != nil:
		got[c.After.Sample.ID]++
	case c.Cause == "" && c.Change != record.SampleEnded:
		got[c.Sample.ID]++
	default:
		got["other: "+c.Cause+c.Change]++
	}
	return nil
}
