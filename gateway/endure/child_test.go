package endure

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/backup"
	"weighpost/gateway/export"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// The child is this test binary as a daemon that records and meanwhile does everything else to its journal. It prints a line for
// each acknowledgement, and for each act that begins, is done or fails.
const (
	childAt       = "WEIGHPOST_ENDURE"          // the folder of everything; the test's own process has none
	childSince    = "WEIGHPOST_ENDURE_SINCE"    // when the test began, in nanoseconds
	childAct      = "WEIGHPOST_ENDURE_ACT"      // one act, done twice when a line comes in; empty: all, until the kill
	childCareless = "WEIGHPOST_ENDURE_CARELESS" // append or backup: does that carelessly, so that a judge has something to find
)

func TestMain(m *testing.M) {
	if at := os.Getenv(childAt); at != "" {
		os.Exit(child(at))
	}
	goleak.VerifyTestMain(m)
}

// site is a folder with a journal and what is made of it.
type site struct {
	at       string
	since    time.Time
	j        *journal.Journal
	say      func(format string, args ...any)
	careless string
	n        int // exports made
}

func (s *site) folder(name string) string { return filepath.Join(s.at, name) }

// stamp is of a clock that runs a thousand times too fast, so that every moment has a second of its own for names.
func (s *site) stamp() record.Stamp {
	at := time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC).Add(1000 * time.Since(s.since))
	return record.Stamp{UTC: record.UTC(at), Zone: "+00:00", Clock: record.ClockChecked, Sources: 3}
}

var (
	schedule = record.Actor{ID: "schedule", By: record.ActorSchedule}
	reason   = "a drill"
)

// acts are what goes on beside recording. Each gives what it made.
var acts = map[string]func(s *site, ctx context.Context) (string, error){
	"append":     (*site).append,
	"checkpoint": (*site).checkpoint,
	"backup":     (*site).backup,
	"seal":       (*site).seal,
	"export":     (*site).export,
	"rotate":     (*site).rotate,
}

func (s *site) open(ctx context.Context) error {
	for _, name := range []string{"backups", "exports", "archive"} {
		if err := os.MkdirAll(s.folder(name), 0o755); err != nil {
			return err
		}
	}
	j, err := journal.Open(ctx, journal.Options{Dir: s.folder("journal"), Site: "north-lab",
		OnState: func(stopped bool, cause error) { s.say("state %v %v", stopped, cause) }})
	s.j = j
	return err
}

func (s *site) weighing(balance, lot string) *record.Weighing {
	return &record.Weighing{Balance: record.Balance{ID: balance}, Value: record.Value{Digits: "12.500", Unit: "g", Kind: "net", Stability: "stable"},
		Frame: []byte("N  12.500 g\r\n"), Context: record.Context{Sample: &record.Learnt{ID: lot}}, Stamp: s.stamp()}
}

// keep records entries and says so: "ack LOT SEQ ID HASH".
func (s *site) keep(ctx context.Context, what string, bodies ...record.Body) error {
	if s.careless == "append" {
		s.say("ack %s 0 - -", what)
	}
	entries, err := s.j.Append(ctx, bodies...)
	for _, e := range entries {
		s.say("ack %s %d %s %s", what, e.Seq, e.ID, hashOf(e.JSON))
	}
	return err
}

func (s *site) append(ctx context.Context) (string, error) {
	lot := fmt.Sprintf("lot-%d-%d", os.Getpid(), time.Now().UnixNano())
	return lot, s.keep(ctx, lot, s.weighing("b-1", lot))
}

func (s *site) checkpoint(ctx context.Context) (string, error) {
	size, _, err := s.j.Checkpoint(ctx)
	return fmt.Sprint(size), err
}

// keptBackups is how many backups are kept.
const keptBackups = 2

func (s *site) job() *backup.Job {
	return &backup.Job{
		Config: backup.Config{Folder: s.folder("backups"), Keep: backup.Keep{Count: keptBackups}}.WithDefaults(), Site: "north-lab", Spool: s.folder("spool"),
		Order: backup.Order{Journal: s.j, PublicKey: []byte(s.j.PublicKey()), Config: []backup.ConfigFile{{From: "weighpost.yaml", Text: []byte("site: north-lab\n")}}},
		Stamp: s.stamp, Record: func(ctx context.Context, b *record.Backup) error { return s.keep(ctx, "backup", b) },
		Trouble: func(where string, err error) {
			if err != nil {
				s.say("trouble %s: %v", where, err)
			}
		},
	}
}

func (s *site) backup(ctx context.Context) (string, error) {
	made, err := s.job().Run(ctx, schedule)
	if err == nil && s.careless == "backup" {
		s.spoil(filepath.Join(made.Folder, made.Name))
	}
	return made.Name, err
}

// spoil makes a backup as nobody should: under its final name from the first byte on.
func (s *site) spoil(good string) {
	whole, _ := os.ReadFile(good)
	f, err := os.Create(filepath.Join(s.folder("backups"), backup.FileName("north-lab", s.j.Incarnation(), s.stamp().UTC.Time().Add(time.Second))))
	if err != nil {
		return
	}
	defer f.Close()
	for i := 0; i < len(whole); i += 4096 {
		_, _ = f.Write(whole[i:min(len(whole), i+4096)])
		time.Sleep(5 * time.Millisecond)
	}
}

func (s *site) sealing() journal.SealOptions {
	return journal.SealOptions{Before: s.stamp().UTC.Time(), Size: 100, Places: []journal.Place{journal.InFolder(s.folder("archive"))},
		By: schedule, Rule: "recorded before now", Stamp: s.stamp}
}

func (s *site) seal(ctx context.Context) (string, error) {
	made, err := s.j.Seal(ctx, s.sealing())
	var files []string
	for _, m := range made.Segments {
		files = append(files, m.File)
	}
	return strings.Join(files, " "), err
}

func (s *site) export(ctx context.Context) (string, error) {
	src, err := export.Live(ctx, s.j)
	if err != nil {
		return "", err
	}
	s.n++
	format := export.Formats()[s.n%2] // csv and ndjson: every row tells its entry
	name := fmt.Sprintf("audit-%d-%d.%s", os.Getpid(), s.n, format)
	_, err = export.ToFile(ctx, src, export.Request{Format: export.Format(format), Made: s.stamp().UTC.Time(), Version: "drill"},
		filepath.Join(s.folder("exports"), name), false)
	return name, err
}

func (s *site) rotate(ctx context.Context) (string, error) {
	e, err := s.j.RotateKey(ctx, journal.Rotation{By: schedule, Reason: reason, Stamp: s.stamp()})
	if e.ID != "" {
		s.say("ack rotate %d %s %s", e.Seq, e.ID, hashOf(e.JSON))
	}
	return s.j.PublicKey(), err
}

// do does one act and tells of it.
func (s *site) do(ctx context.Context, name string) error {
	s.say("begin %s", name)
	made, err := acts[name](s, ctx)
	if err != nil {
		s.say("failed %s: %v", name, err)
		return err
	}
	s.say("done %s %s", name, made)
	return nil
}

func child(at string) int {
	ctx := context.Background()
	var mu sync.Mutex
	since, _ := strconv.ParseInt(os.Getenv(childSince), 10, 64)
	s := &site{at: at, since: time.Unix(0, since), careless: os.Getenv(childCareless), say: func(format string, args ...any) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Println(strings.ReplaceAll(fmt.Sprintf(format, args...), "\n", "; "))
	}}
	if err := s.open(ctx); err != nil {
		s.say("failed open: %v", err)
		return 1
	}
	if act := os.Getenv(childAct); act != "" {
		return s.once(ctx, act)
	}
	s.fill(ctx, 1300)
	var wg sync.WaitGroup
	for hand := range 3 {
		wg.Go(func() { s.record(ctx, hand) })
	}
	for name, pause := range map[string]time.Duration{"backup": 3, "seal": 2, "export": 3, "rotate": 10, "checkpoint": 5} {
		wg.Go(func() {
			for {
				if name == "seal" {
					if p, err := s.j.PlanSealing(ctx, s.sealing()); err == nil && p.Segments == 0 && !p.Resumes {
						time.Sleep(pause * time.Millisecond)
						continue
					}
				}
				if s.do(ctx, name) != nil {
					return
				}
				time.Sleep(pause * time.Millisecond)
			}
		})
	}
	wg.Wait() // until the kill
	return 0
}

// fill records as many weighings as a journal needs before any of it can be sealed.
func (s *site) fill(ctx context.Context, head uint64) {
	for s.j.Head() < head {
		var many []record.Body
		lot := fmt.Sprintf("first-%d", s.j.Head())
		for range 100 {
			many = append(many, s.weighing("b-1", lot))
		}
		if err := s.keep(ctx, lot, many...); err != nil {
			s.say("failed append: %v", err)
			return
		}
	}
}

func (s *site) record(ctx context.Context, hand int) {
	for i := 0; ; i++ {
		lot := fmt.Sprintf("lot-%d-%d-%d", os.Getpid(), hand, i)
		own := fmt.Sprintf("b-%d", hand)
		if err := s.keep(ctx, lot, s.weighing(own, lot), s.weighing("shared", lot), s.weighing(own, lot)); err != nil {
			s.say("failed append: %v", err)
			return
		}
	}
}

// once does an act when it is told to, again when the disk is said to work again, and ends in good order.
func (s *site) once(ctx context.Context, act string) int {
	if _, err := s.append(ctx); err != nil { // something that no checkpoint covers yet
		s.say("failed append: %v", err)
	}
	s.say("ready")
	in := bufio.NewScanner(os.Stdin)
	for in.Scan() {
		healed := in.Text() == "heal"
		for limit := time.Now().Add(20 * time.Second); healed && s.j.Stopped() != nil && time.Now().Before(limit); {
			time.Sleep(5 * time.Millisecond)
		}
		err := s.do(ctx, act)
		if _, stopped := s.append(ctx); stopped != nil && (healed || err == nil) {
			s.say("failed append: %v", stopped)
		}
		s.say("ready")
	}
	if err := s.j.Close(); err != nil {
		s.say("failed close: %v", err)
	}
	s.say("end")
	return 0
}
