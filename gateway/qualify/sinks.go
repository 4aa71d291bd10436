package qualify

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/all"
)

// destinations are the tests of where entries are delivered, one for each.
func (u *run) destinations() (list []planned) {
	for i := range u.Config.Sinks {
		s := &u.Config.Sinks[i]
		list = append(list, planned{"sinks." + s.Delivery.ID, func(ctx context.Context, t *try) { u.destination(ctx, t, s) }})
	}
	return list
}

const (
	patience  = 75 * time.Second // with a destination, where nothing else is said: it gets a checkpoint at most once a minute
	probeText = "qualification test: this entry is no weighing"
)

// probe is an entry that says that a destination was tried. It says so in its reason, and nobody can take it for a weighing.
type probe struct {
	id  string
	seq uint64
}

// reaches is by what it shows that something reaches a destination: by the entry that says that it was tried, or, where it does not get
// that, by a checkpoint.
type reaches struct{ entry, point bool }

// of says that of a configuration. A destination that gets closed batches has nothing before one is closed.
func (r *reaches) of(s *config.Sink) {
	if s.Delivery.Closed != "" {
		return
	}
	r.entry = slices.Contains(s.Delivery.Wants(), record.KindSinkTried)
	if r.entry {
		return
	}
	r.point = slices.Contains([]string{"files", "smb", "sftp", "http", "mqtt", "nats"}, s.Kind) // those that are a sinks.Checkpointer
	if p, asks := s.Settings.(all.Publishing); asks {
		r.point = p.Publishes()
	}
}

// destination has the daemon try a destination, and looks for what arrives. What can be shown depends on what the destination gets: the
// entry itself, the signed checkpoint that covers it, and what it says that it holds.
func (u *run) destination(ctx context.Context, t *try, s *config.Sink) {
	id := s.Delivery.ID
	t.tried("Had the daemon try the destination %s (%s), which leaves an entry of the kind %s with the reason %q; had a checkpoint signed; waited up to %s for the one or, where it gets no such entries, the other to arrive; asked the destination what it holds, where it can be asked.",
		id, s.Settings.Destination(), record.KindSinkTried, probeText, u.patience())
	t.expected("The daemon delivers to it without an error, and the entry, or a checkpoint that covers it, arrives there.")
	if u.Daemon == nil {
		t.notDone("No daemon runs, and only the daemon delivers. Start it, and try again with --only sinks.")
		return
	}
	begun := utc(time.Now()).Time()
	p, err := u.probe(ctx, id)
	if err != nil {
		t.fail("It could not be tried: %v.", err)
		return
	}
	t.saw("The entry is %s (number %d).", p.id, p.seq)
	var gets reaches
	gets.of(s)
	u.arrived(ctx, t, id, p, begun, gets)
	held := u.held(ctx, t, s, p, gets)
	if !held && !gets.entry && !gets.point {
		t.notDone("Of a test it gets nothing that could be looked for: only a weighing, or a closed batch, arrives there. Have somebody weigh, and look at the destination (weighpost deliveries preview --sink %s shows what has to be there).", id)
	}
}

// patience is how long an entry may take to a destination, and how long that may take to say what it holds.
func (u *run) patience() time.Duration { return cmp.Or(u.Patience, patience) }

// probe has the daemon try a destination, and a checkpoint signed that covers the entry that says so.
func (u *run) probe(ctx context.Context, id string) (p probe, err error) {
	status, _, answer, err := u.Daemon.Ask(ctx, http.MethodPost, "/api/v1/deliveries/"+id+"/try-now", map[string]any{"reason": probeText, "by": u.By.Name})
	var done struct{ Acts []string }
	if err == nil && status == http.StatusOK {
		err = json.Unmarshal(answer, &done)
	}
	if err != nil || status != http.StatusOK || len(done.Acts) != 1 {
		return p, fmt.Errorf("%s %s", outcome(status, err), strings.TrimSpace(string(answer)))
	}
	p.id = done.Acts[0]
	status, _, answer, err = u.Daemon.Ask(ctx, http.MethodGet, "/api/v1/entry?id="+url.QueryEscape(p.id), nil)
	var of struct{ Seq uint64 }
	if err == nil && status == http.StatusOK {
		err = json.Unmarshal(answer, &of)
	}
	if err != nil || of.Seq == 0 {
		return p, fmt.Errorf("the entry %s cannot be read: %s", p.id, outcome(status, err))
	}
	p.seq = of.Seq
	status, _, _, err = u.Daemon.Ask(ctx, http.MethodGet, "/api/v1/proof?id="+url.QueryEscape(p.id), nil)
	if err != nil || status != http.StatusOK {
		return p, fmt.Errorf("no checkpoint could be signed: %s", outcome(status, err))
	}
	return p, nil
}

// arrived waits until the daemon says that the destination has taken what it gets.
func (u *run) arrived(ctx context.Context, t *try, id string, p probe, begun time.Time, gets reaches) {
	limit := time.Now().Add(u.patience())
	for {
		s, head, err := u.status(ctx, id)
		var covered uint64
		if err == nil {
			covered, err = u.covered(ctx, id)
		}
		if err != nil {
			t.fail("The daemon does not say how the destination is: %v.", err)
			return
		}
		past := head-min(head, s.Lag) >= p.seq
		took := past && s.LastSuccess != nil && !s.LastSuccess.Time().Before(begun)
		switch {
		case past && (took || !gets.entry) && (covered >= p.seq || !gets.point):
			if gets.entry {
				t.saw("The destination took the entry, as the daemon says.")
			}
			if gets.point {
				t.saw("The destination took a checkpoint of %d entries, as the daemon says.", covered)
			}
			return
		case time.Now().After(limit) || ctx.Err() != nil:
			t.saw("After %s: state %s, %d entries behind, newest checkpoint taken: %d entries.", u.patience(), s.State, s.Lag, covered)
			t.fail("%s", strings.Join(strings.Fields("It did not arrive in time. "+cmp.Or(s.Why, s.LastError)+" "+s.Remedy), " "))
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
}

func (u *run) status(ctx context.Context, id string) (s console.Sink, head uint64, err error) {
	status, _, answer, err := u.Daemon.Ask(ctx, http.MethodGet, "/api/v1/deliveries", nil)
	var of struct {
		Sinks []console.Sink
		Head  uint64
	}
	if err == nil && status == http.StatusOK {
		err = json.Unmarshal(answer, &of)
	}
	i := slices.IndexFunc(of.Sinks, func(s console.Sink) bool { return s.ID == id })
	if err != nil || i < 0 {
		return s, 0, fmt.Errorf("%s", outcome(status, err))
	}
	return of.Sinks[i], of.Head, nil
}

// covered is how many entries the newest checkpoint covers that a destination has taken, by the daemon's measurements.
func (u *run) covered(ctx context.Context, id string) (n uint64, err error) {
	status, _, answer, err := u.Daemon.Ask(ctx, http.MethodGet, "/metrics", nil)
	if err != nil || status != http.StatusOK {
		return 0, fmt.Errorf("%s", outcome(status, err))
	}
	lines := bufio.NewScanner(bytes.NewReader(answer))
	for lines.Scan() {
		if rest, ok := strings.CutPrefix(lines.Text(), `weighpost_checkpoint_entries{sink="`+id+`"} `); ok {
			f, err := strconv.ParseFloat(rest, 64)
			return uint64(f), err
		}
	}
	return 0, lines.Err()
}

// held asks the destination itself. It says whether it was asked and holds what it should.
func (u *run) held(ctx context.Context, t *try, s *config.Sink, p probe, gets reaches) bool {
	asked, ok := s.Settings.(all.Asked)
	if !ok {
		t.saw("Destinations of the kind %s cannot be asked what they hold.", s.Kind)
		return false
	}
	w, err := asked.Witness(s.Delivery.ID, sinks.Env{Site: u.Config.Site})
	if err != nil {
		t.saw("It cannot be asked what it holds: %v.", err)
		return false
	}
	defer w.Close()
	limit, cancel := context.WithTimeout(ctx, u.patience())
	defer cancel()
	h, err := w.Held(limit, p.seq-1)
	if err != nil {
		t.fail("The destination was asked what it holds, and gave no answer: %v.", err)
		return false
	}
	there := slices.ContainsFunc(h.Entries, func(e sinks.HeldEntry) bool { return e.ID == p.id })
	size, err := u.newest(h.Checkpoints)
	if err != nil {
		t.fail("A checkpoint at the destination is none of this journal: %v.", err)
		return false
	}
	t.saw("Asked what it holds: %s; newest checkpoint there: %d entries%s.", found(there, len(h.Entries)), size, colon(h.Partial))
	if there || size >= p.seq {
		return true
	}
	if gets.point && len(t.why) == 0 || gets.entry && h.Partial == "" {
		t.fail("The destination holds neither this entry nor a checkpoint that covers it.")
	}
	return false
}

func found(there bool, n int) string {
	if there {
		return "the entry is there"
	}
	return fmt.Sprintf("the entry is not among the %d that it names", n)
}

// newest is how many entries the newest of the checkpoints covers that this journal's key signed. One of its origin that another key signed
// is an error.
func (u *run) newest(notes [][]byte) (size uint64, err error) {
	text, err := os.ReadFile(filepath.Join(u.Config.Journal.Folder, "key.pub"))
	if err != nil {
		return 0, err
	}
	key, err := proof.ParseKey(string(text))
	if err != nil {
		return 0, err
	}
	for _, note := range notes {
		seen, err := proof.Peek(note)
		if err != nil || seen.Origin != key.Name() {
			continue // of another journal, or an earlier life
		}
		point, err := proof.Open(note, key)
		if err != nil {
			return 0, err
		}
		size = max(size, point.Size)
	}
	return size, nil
}
