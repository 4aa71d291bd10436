package follow

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/journal/memory"
	"weighpost/gateway/record"
)

// unread is a journal of which nothing is read but single entries, and nothing is waited for: what is known comes from the file.
type unread struct{ *memory.Journal }

func (u unread) Read(ctx context.Context, after uint64, most int) ([]record.Entry, error) {
	if most > 1 {
		return nil, nil
	}
	return u.Journal.Read(ctx, after, most)
}

func (u unread) Wait(ctx context.Context, _ uint64) error {
	<-ctx.Done()
	return ctx.Err()
}

// written is a journal, and the file that a view of it left at its end.
func written(t *testing.T) (j *memory.Journal, dir, file string) {
	j, dir = memory.New("lab"), t.TempDir()
	put(t, j, lot("rye"), lot("oats"), lot("rye"))
	r := open(j, dir)
	end := r.run(t)
	r.reach(t, 3)
	end()
	b, err := os.ReadFile(filepath.Join(dir, "lots.json"))
	if err != nil {
		t.Fatal(err, r.log)
	}
	return j, dir, string(b)
}

// TestAStartNeedsNoJournalForWhatWasWrittenDown: the file alone says it, with the rights of its owner only, and nothing is left beside it.
func TestAStartNeedsNoJournalForWhatWasWrittenDown(t *testing.T) {
	j, dir, file := written(t)
	if want := `{"form":"weighpost.lots/2","seq":3,"id":"lab/aaaaa/@/000003","lots":{"oats":1,"rye":2}}` + "\n"; file != want {
		t.Errorf("%s, not %s", file, want)
	}
	info, err := os.Stat(filepath.Join(dir, "lots.json"))
	if err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("%v %v", info, err)
	}
	if list, err := os.ReadDir(dir); err != nil || len(list) != 1 {
		t.Errorf("%v %v", list, err)
	}
	r := open(unread{j}, dir)
	end := r.run(t)
	r.reach(t, 3)
	if r.of("rye") != 2 || !r.Ready() {
		t.Errorf("%d, ready %v", r.of("rye"), r.Ready())
	}
	end()
	if r.log.Len() > 0 {
		t.Error(r.log)
	}
}

// TestAFileThatIsOfNoUseIsReadFromTheJournalInstead, with a sentence that says why; and the next end writes a good one.
func TestAFileThatIsOfNoUseIsReadFromTheJournalInstead(t *testing.T) {
	j, dir, good := written(t)
	path := filepath.Join(dir, "lots.json")
	for why, file := range map[string]string{
		"":                                good,
		"it cannot be read":               good[:len(good)/2],
		"it cannot be read: EOF":          " ",
		"it cannot be read: invalid":      "\x00\xff",
		"it has another form":             strings.Replace(good, "lots/2", "lots/1", 1),
		"it holds 0 of the lot rye":       strings.Replace(good, `"rye":2`, `"rye":0`, 1),
		"of another journal, or of a lon": strings.Replace(good, `"seq":3`, `"seq":4`, 1),
		"it is of another journal\"":      strings.Replace(good, "lab/aaaaa", "lab/bbbbb", 1),
		"another journal, or of a longer": strings.Replace(good, `"seq":3`, `"seq":0`, 1),
		"unexpected EOF":                  strings.Replace(good, `"lots"`, strings.Repeat(" ", 200)+`"lots"`, 1), // too large
	} {
		if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
		r := open(j, dir)
		r.o.File.most = 200
		end := r.run(t)
		r.reach(t, 3)
		if r.of("rye") != 2 || r.of("oats") != 1 {
			t.Errorf("%s: %d, %d", why, r.of("rye"), r.of("oats"))
		}
		end()
		said := r.log.String()
		if why == "" && said != "" || why != "" && !(strings.Contains(said, "what was written down of lots is of no use, so they are read from the journal") && strings.Contains(said, why)) {
			t.Errorf("%q: %s", why, said)
		}
		if b, err := os.ReadFile(path); err != nil || string(b) != good {
			t.Errorf("%s: left %s %v", why, b, err)
		}
	}
	os.Remove(path) // none at all is nothing to speak of
	r := open(j, dir)
	end := r.run(t)
	r.reach(t, 3)
	end()
	if r.log.Len() > 0 {
		t.Error(r.log)
	}
}

// TestAFileOfAnotherJournalIsNotBelieved: another life of the same site, as long as the first.
func TestAFileOfAnotherJournalIsNotBelieved(t *testing.T) {
	_, dir, _ := written(t)
	other := memory.New("north-lab")
	put(t, other, lot("vetch"), lot("vetch"), lot("vetch"))
	r := open(other, dir)
	end := r.run(t)
	r.reach(t, 3)
	if r.of("rye") != 0 || r.of("vetch") != 3 {
		t.Errorf("rye %d, vetch %d", r.of("rye"), r.of("vetch"))
	}
	end()
	if !strings.Contains(r.log.String(), "it is of another journal") {
		t.Error(r.log)
	}
}

// TestItIsWrittenDownNowAndThen, only where something is new, and again where it could not be.
func TestItIsWrittenDownNowAndThen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j, dir := memory.New("lab"), filepath.Join(t.TempDir(), "later")
		path := filepath.Join(dir, "lots.json")
		r := open(j, dir)
		end := r.run(t)
		next := func(b record.Body) {
			time.Sleep(saveEvery + time.Second)
			put(t, j, b)
			synctest.Wait()
		}
		next(lot("rye"))
		if !strings.Contains(r.log.String(), "what is known of lots could not be written down: the next start reads the journal instead") {
			t.Errorf("the folder is missing: %s", r.log)
		}
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		next(&record.Upkeep{})
		if b, err := os.ReadFile(path); err != nil || !strings.Contains(string(b), `"seq":2`) {
			t.Errorf("%s %v", b, err)
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		next(&record.Upkeep{}) // nothing that is kept
		end()
		if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("written although nothing is new: %v", err)
		}
	})
}
