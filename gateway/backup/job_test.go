package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// cupboard is a store in memory.
type cupboard struct {
	files map[string][]byte
	fails error
	spoil bool // what is stored is altered
}

func (c *cupboard) Store(_ context.Context, name string, r io.Reader) error {
	if c.fails != nil {
		return c.fails
	}
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	if c.spoil {
		b[len(b)/2] ^= 1
	}
	c.files[name] = b
	return nil
}

func (c *cupboard) Fetch(_ context.Context, name string) (io.ReadCloser, error) {
	b, has := c.files[name]
	if !has {
		return nil, fs.ErrNotExist
	}
	return io.NopCloser(bytes.NewReader(b)), c.fails
}

func (c *cupboard) Stored(_ context.Context, prefix string) ([]sinks.StoredFile, error) {
	var list []sinks.StoredFile
	for name, b := range c.files {
		if strings.HasPrefix(name, prefix) {
			list = append(list, sinks.StoredFile{Name: name, Size: int64(len(b))})
		}
	}
	return list, c.fails
}

func (c *cupboard) Remove(_ context.Context, name string) error {
	delete(c.files, name)
	return c.fails
}

// job is one with a bench's journal, a folder, a store, and a clock that a test sets.
type job struct {
	*bench
	Job
	store   *cupboard
	now     time.Time
	trouble []string
}

func newJob(t testing.TB) *job {
	b := newBench(t)
	j := &job{bench: b, store: &cupboard{files: map[string][]byte{}}, now: time.Date(2026, 11, 29, 2, 30, 0, 0, time.UTC)}
	j.Job = Job{
		Config: Config{Folder: b.folder, Sinks: []string{"share"}}.WithDefaults(), Order: b.order(), Site: "north-lab",
		Spool: filepath.Join(t.TempDir(), "spool"), Sinks: []Shelf{InSink("share", j.store)},
		Stamp: func() record.Stamp {
			return record.Stamp{UTC: record.UTC(j.now), Zone: "+00:00", Clock: record.ClockChecked}
		},
		Record: func(ctx context.Context, e *record.Backup) error {
			_, err := b.journal.Append(ctx, e)
			return err
		},
		Trouble: func(where string, err error) {
			if err != nil {
				j.trouble = append(j.trouble, where+": "+err.Error())
			}
		},
	}
	return j
}

var byHand = record.Actor{ID: "ada", By: record.ActorHost}

// told lists what the journal was told: action, outcome and place.
func (j *job) told() []string {
	j.Helper()
	entries, err := j.bench.journal.Read(j.Context(), 0, 10000)
	if err != nil {
		j.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		var b record.Backup
		if e.Kind == record.KindBackup {
			if err := unmarshal(e.JSON, &b); err != nil {
				j.Fatal(err)
			}
			list = append(list, fmt.Sprintf("%s %s in %s", b.Action, b.Outcome, strings.ReplaceAll(strings.ReplaceAll(b.Where, j.folder, "FOLDER"), j.Spool, "SPOOL")))
		}
	}
	return list
}

func (j *job) run() Made {
	j.Helper()
	made, err := j.Run(j.Context(), byHand)
	if err != nil {
		j.Fatal(err)
	}
	return made
}

func TestEveryActIsAnEntry(t *testing.T) {
	t.Parallel()
	j := newJob(t)
	j.weigh(10)
	j.Config.Keep.Count = 2
	for range 3 {
		j.run()
		j.now = j.now.Add(24 * time.Hour)
	}
	if err := j.VerifyNewest(t.Context(), byHand); err != nil {
		t.Error(err)
	}
	round := []string{"made good in FOLDER", "stored good in sink share"}
	want := slices.Concat(round, round, []string{"made good in FOLDER", "removed good in FOLDER", "stored good in sink share", "removed good in sink share",
		"verified good in FOLDER", "verified good in sink share"})
	if got := j.told(); !slices.Equal(got, want) || len(j.trouble) > 0 {
		t.Errorf("got  %q\nwant %q, trouble %q", got, want, j.trouble)
	}
	for _, s := range j.shelves() {
		if list, err := s.List(t.Context(), "north-lab"); len(list) != 2 || err != nil {
			t.Errorf("%s: %v, %v", s.Where, list, err)
		}
	}
	if left, _ := os.ReadDir(j.Spool); len(left) != 0 {
		t.Errorf("left in the spool: %v", left)
	}
}

func TestAStoreThatFailsCostsNoBackup(t *testing.T) {
	t.Parallel()
	j := newJob(t)
	j.weigh(10)
	j.store.fails = errors.New("the share is gone")
	made := j.run()
	if err := j.open(made).Verify(t.Context(), j.publicKey(), nil); err != nil {
		t.Error(err)
	}
	j.store.fails, j.store.spoil = nil, true
	j.now = j.now.Add(time.Hour)
	j.run()
	want := []string{"made good in FOLDER", "stored failed in sink share", "made good in FOLDER", "stored failed in sink share"}
	if got := j.told(); !slices.Equal(got, want) || len(j.trouble) != 2 || !strings.Contains(j.trouble[0], "the share is gone") ||
		!strings.Contains(j.trouble[1], "is not what was written") {
		t.Errorf("got %q, trouble %q", got, j.trouble)
	}
}

func TestSinksAloneNeedNoFolder(t *testing.T) {
	t.Parallel()
	j := newJob(t)
	j.weigh(10)
	j.Config.Folder = ""
	j.store.fails = errors.New("the share is gone")
	kept := j.run() // stays in the spool: it is the only copy
	if _, err := os.Stat(filepath.Join(j.Spool, kept.Name)); err != nil {
		t.Error(err)
	}
	j.store.fails = nil
	j.now = j.now.Add(time.Hour)
	made := j.run()
	if left, _ := os.ReadDir(j.Spool); len(left) != 0 {
		t.Errorf("left in the spool: %v", left)
	}
	if _, has := j.store.files["_backups/"+made.Name]; !has || len(j.store.files) != 1 {
		t.Errorf("the store holds %d files", len(j.store.files))
	}
}

func TestOnlyWhatIsOursIsRemoved(t *testing.T) {
	t.Parallel()
	j := newJob(t)
	j.weigh(3)
	j.Config.Keep.Count = 1
	foreign := []string{"weighpost-south-lab-7qx3a-20200101t000000z.tar", "weighpost-north-lab-7qx3a-20200101t000000z.tar", "notes.txt", "old.tar"}
	for _, name := range foreign {
		if err := os.WriteFile(filepath.Join(j.folder, name), []byte("somebody's work"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	first := j.run()
	j.now = j.now.Add(time.Hour)
	second := j.run()
	for _, name := range append(foreign, second.Name) {
		if _, err := os.Stat(filepath.Join(j.folder, name)); err != nil {
			t.Error(err)
		}
	}
	if _, err := os.Stat(filepath.Join(j.folder, first.Name)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the first backup is still there: %v", err)
	}
}

func TestTheNewestIsAlwaysKept(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 29, 2, 30, 0, 0, time.UTC)
	var list []Kept
	for i := range 5 {
		list = append(list, Kept{Name: fmt.Sprint(i), Made: now.AddDate(0, 0, -10*i-40)})
	}
	names := func(k Keep, good string, age bool) string {
		var s []string
		for _, one := range k.over(list, good, now, age) {
			s = append(s, one.Name)
		}
		return strings.Join(s, " ")
	}
	for _, c := range []struct {
		keep Keep
		good string
		age  bool
		want string
	}{
		{Keep{Count: 3}, "0", true, "4 3"},
		{Keep{Count: 10, Days: 55}, "0", true, "4 3 2"},
		{Keep{Count: 10, Days: 55}, "0", false, ""},
		{Keep{Count: 10, Days: 1}, "0", true, "4 3 2 1"},
		{Keep{Count: 1, Days: 1}, "3", true, "4 2 1"}, // a clock that went back: what was just made is kept, and the newest by name
		{Keep{Count: 10}, "0", true, ""},
	} {
		if got := names(c.keep, c.good, c.age); got != c.want {
			t.Errorf("%+v, good %s: removes %q, want %q", c.keep, c.good, got, c.want)
		}
	}
}

func TestWhenTheNextBackupIsDue(t *testing.T) {
	t.Parallel()
	local := func(day, hour, minute int) time.Time { return time.Date(2026, 6, day, hour, minute, 0, 0, time.Local) }
	daily := Config{At: TimeOfDay{true, 2, 30}}.WithDefaults()
	for _, c := range []struct {
		last, want time.Time
	}{
		{local(10, 2, 30), local(11, 2, 30)},
		{local(10, 2, 55), local(11, 2, 30)},  // took its time
		{local(10, 13, 0), local(11, 2, 30)},  // by hand after lunch
		{local(10, 23, 50), local(12, 2, 30)}, // by hand late at night
	} {
		if got := daily.Due(c.last); !got.Equal(c.want) {
			t.Errorf("after %v: %v, want %v", c.last, got, c.want)
		}
	}
	if got := (&Config{Every: strict.Duration(time.Hour)}).Due(local(10, 2, 30)); !got.Equal(local(10, 3, 30)) {
		t.Errorf("hourly: %v", got)
	}
	if got := daily.Due(time.Time{}); !got.IsZero() {
		t.Errorf("without a last one: %v", got)
	}
}
