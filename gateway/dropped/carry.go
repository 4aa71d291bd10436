package dropped

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"time"

	"weighpost/gateway/record"
)

// How long the journal may take, before it counts as not known what became of a request.
const (
	recordTime  = 5 * time.Second
	samplesTime = time.Minute
)

// job is one file while it is carried out.
type job struct {
	*Answer
	id, name string
	by       record.Actor // without the mark
	written  time.Time
	// found is what the journal has of it, by mark. After is the last request of which it has something, -1 for none.
	found   map[string][]Found
	after   int
	altered bool // the journal has acts of it that the file does not ask for
}

// errUnknown says that nobody knows yet whether something was carried out.
type errUnknown struct {
	name string
	err  error
}

func (e *errUnknown) Error() string {
	return fmt.Sprintf("it is not known yet whether what %s asks for is in the journal: %v", e.name, e.err)
}

func (e *errUnknown) Unwrap() error { return e.err }

// carryOut carries a file out, or finds in the journal that it was.
func (r *Room) carryOut(ctx context.Context, cfg Config, root *os.Root, id, w, name string) (*Answer, error) {
	a := &Answer{File: name}
	b, info, err := read(root, path.Join(workingDir, w))
	var bad *unfit
	if err != nil && !errors.As(err, &bad) {
		return nil, err
	}
	var c content
	if bad == nil {
		sum := sha256.Sum256(b)
		a.SHA256 = hex.EncodeToString(sum[:])
		if c, err = parse(name, b); err != nil {
			errors.As(err, &bad)
		}
	}
	if bad != nil {
		a.Why = bad.why
		return a, nil
	}
	j := &job{Answer: a, id: id, name: name, written: info.ModTime(),
		by: record.Actor{ID: filepath.Base(cfg.Folder), By: record.ActorFile, Where: name}}
	if err := r.lookUp(ctx, j, max(len(c.requests), len(c.runs), 1)); err != nil {
		return nil, &errUnknown{name, err}
	}
	switch {
	case c.samples != nil:
		return a, r.announce(ctx, j, c.samples)
	case c.runs != nil:
		return a, r.order(ctx, j, b)
	}
	return a, r.requests(ctx, cfg, j, c.requests)
}

// mark is what entries say of a request of the file: of the id of the file, and then of its bytes and the request's number.
func (j *job) mark(n int) string {
	return record.RequestMark(record.ActorFile, j.id, j.SHA256+" "+strconv.Itoa(n))
}

// actor is who asks for request n.
func (j *job) actor(n int) *record.Actor {
	a := j.by
	a.Request = j.mark(n)
	return &a
}

// lookUp asks the journal what was carried out of a file that is not taken just now.
func (r *Room) lookUp(ctx context.Context, j *job, requests int) error {
	j.found, j.after = map[string][]Found{}, -1
	if r.fresh[j.id] {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, samplesTime)
	defer cancel()
	list, err := r.o.Found(ctx, record.MarkKey(j.mark(0)))
	if err != nil {
		return err
	}
	known := map[string]int{}
	for n := range requests {
		known[j.mark(n+1)] = n
	}
	for _, f := range list {
		n, ok := known[f.Mark]
		if !ok {
			j.altered = true
			continue
		}
		j.found[f.Mark] = append(j.found[f.Mark], f)
		j.after = max(j.after, n)
	}
	return nil
}

// requests carries requests out one after the other.
func (r *Room) requests(ctx context.Context, cfg Config, j *job, list []record.DroppedRequest) error {
	done := r.progress[j.id]
	for i := len(done); i < len(list); i++ {
		o := Outcome{Number: i + 1, Balance: list[i].Balance, Request: list[i].Request.Request}
		err := list[i].Err
		if err == nil && !r.o.Ready() {
			err = &errUnknown{j.name, errors.New("weighpost stops")}
		} else if err == nil {
			err = r.request(ctx, cfg, j, i, &list[i], &o)
		}
		var unknown *errUnknown
		if errors.As(err, &unknown) {
			r.progress[j.id] = done
			delete(r.fresh, j.id)
			return err
		}
		if err != nil {
			o.Why = sentence(err.Error())
		}
		o.OK = err == nil
		done = append(done, o)
	}
	j.Requests = done
	return nil
}

// request carries out one. The error says why it was refused, or is an *errUnknown.
func (r *Room) request(ctx context.Context, cfg Config, j *job, i int, d *record.DroppedRequest, o *Outcome) error {
	q := d.Request
	found := j.found[j.mark(i+1)]
	for _, f := range found {
		o.Entry = f.ID
		switch f.Cause {
		case "refused", "asked":
			o.Ask = f.Cause == "asked"
			return errors.New(f.Why)
		case "confirmed":
			q.Label = "" // that part is done
			if q.Names() {
				continue
			}
		}
		o.Note = "It was carried out, as the journal tells; weighpost was interrupted meanwhile, so ask what is held now."
		return nil
	}
	switch {
	case j.altered:
		return errors.New("the file was changed after a part of it had been carried out: nothing more of it is")
	case i < j.after:
		return errors.New("it was refused before weighpost was interrupted, and why is not known any more; what stands after it in the file was carried out")
	}
	if err := r.inTime(cfg, j, &q); err != nil {
		return err
	}
	q.By, q.Where, q.Actor = record.BySent, j.by.ID+"/"+j.name, j.actor(i+1)
	limit, cancel := context.WithTimeout(ctx, recordTime)
	defer cancel()
	view, err := r.o.Gateway.SetContext(limit, d.Balance, q)
	var refused *record.ContextRefused
	switch {
	case err == nil:
		o.Held = view.Items
		return nil
	case errors.As(err, &refused):
		o.Ask = refused.Ask
		return refused
	case errors.Is(err, record.ErrNoBalance):
		return err
	}
	return &errUnknown{j.name, err}
}

// inTime says why a request comes too late: what was meant for one weighing must not be put on another, hours after it was written.
func (r *Room) inTime(cfg Config, j *job, q *record.ContextRequest) error {
	age := r.now().Sub(j.written).Round(time.Second)
	if !q.Sent.IsZero() || age <= cfg.Valid.D() {
		return nil // what the request itself says of its time is validated where it is carried out
	}
	return fmt.Errorf("the file was written %s ago, and requests hold for %s: it came too late", age, cfg.Valid)
}

// announce takes samples, all of them or none.
func (r *Room) announce(ctx context.Context, j *job, list *record.SampleList) error {
	var taken record.SamplesTaken
	there := map[string]bool{}
	for _, f := range j.found[j.mark(1)] {
		switch f.Change {
		case record.SampleNew:
			taken.New++
		case record.SampleChanged:
			taken.Changed++
		}
		there[f.Sample] = true
	}
	var rest []record.Sample
	for _, s := range list.Samples {
		if !there[s.ID] {
			rest = append(rest, s)
		}
	}
	switch {
	case j.altered:
		j.Why = "The file was changed after a part of it had been carried out: nothing more of it is."
		return nil
	case len(rest) > 0 || len(there) == 0:
		limit, cancel := context.WithTimeout(ctx, samplesTime)
		defer cancel()
		more, err := r.o.Gateway.AnnounceSamples(limit, rest, list.Request, *j.actor(1))
		var refused *record.SampleRefused
		if errors.As(err, &refused) {
			j.Why = refused.Why
			return nil
		}
		if err != nil {
			delete(r.fresh, j.id)
			return &errUnknown{j.name, err}
		}
		taken.New, taken.Changed, taken.Unchanged = taken.New+more.New, taken.Changed+more.Changed, more.Unchanged
	}
	j.Samples = &taken
	return nil
}
