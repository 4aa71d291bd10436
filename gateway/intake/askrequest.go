package intake

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// recordLimit is how long the journal may take for an entry that a request waits for.
const recordLimit = 5 * time.Second

// commandsPerMinute is how many commands one balance is sent within a minute, so that a system that has run wild does not
// fill the disk.
const commandsPerMinute = 60

// Read asks the balance for its weight, and returns the answer; where it is to be recorded, once its entry is durable. The
// error is a *record.AskRefused where the balance cannot be asked or its answer does not count, a *record.NoAnswer, or that of
// ctx, with record.ErrUnrecorded where the answer came and its entry is not known to be durable. It may be called from any
// goroutine.
func (in *Intake) Read(ctx context.Context, r record.ReadRequest) (record.ReadAnswer, error) {
	if in.Config().Ask == nil {
		return record.ReadAnswer{}, in.cannotAsk()
	}
	if why := in.refusal(); r.Record && why != "" {
		return record.ReadAnswer{}, &record.AskRefused{Why: why}
	}
	a, err := in.hand(ctx, &job{read: r})
	switch {
	case err != nil:
		return record.ReadAnswer{}, err
	case a.why != "":
		return a.ReadAnswer, &record.AskRefused{Why: fmt.Sprintf("The answer of balance %s does not count: %s.", in.about.ID, trimStop(a.why))}
	case a.id != nil:
		a.Recorded, err = in.durableID(ctx, a.id)
	}
	return a.ReadAnswer, err
}

// Commands lists what the balance can be sent, by name.
func (in *Intake) Commands() []record.CommandInfo {
	list := []record.CommandInfo{}
	all := in.Config().Commands
	for _, name := range slices.Sorted(maps.Keys(all)) {
		c := all[name]
		list = append(list, record.CommandInfo{Name: name, About: c.About, Caution: c.Caution, Send: c.Send.String(), Answer: c.answer()})
	}
	return list
}

// Command sends the balance one of its commands, after the entry that it is about to be sent has become durable. What became
// of it is a second entry. The error is record.ErrNoCommand, a *record.AskRefused or one that is record.ErrUnrecorded where
// nothing was sent, a *record.NoAnswer where it could not be sent or was not answered, or that of ctx, after which only the
// second entry tells. It may be called from any goroutine.
func (in *Intake) Command(ctx context.Context, r record.CommandRequest) (record.CommandAnswer, error) {
	j := &job{}
	id, err := in.announce(r, j)
	if err != nil {
		return record.CommandAnswer{}, err
	}
	entry, err := in.durableID(ctx, id)
	if err != nil {
		in.noteCommand(j, record.CommandNotSent, "its entry was not in the journal in time")
		return record.CommandAnswer{}, err
	}
	j.id = entry
	a, err := in.hand(ctx, j)
	if err != nil {
		return record.CommandAnswer{}, err
	}
	out := record.CommandAnswer{Balance: in.about.ID, Command: r.Name, Caution: j.command.Caution, Entry: entry, State: record.CommandSent}
	if a.frame != nil {
		out.State, out.Answer, out.Text = record.CommandAnswered, a.frame, Bytes(a.frame).String()
	}
	return out, nil
}

// announce puts the entry that a command is about to be sent.
func (in *Intake) announce(r record.CommandRequest, j *job) (*awaited, error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	c, known := in.cfg.Commands[r.Name]
	now := in.now()
	in.asking.acts.over(now)
	switch {
	case !known:
		return nil, record.ErrNoCommand
	case !in.asks():
		return nil, &record.AskRefused{Why: "Balance " + in.about.ID + " is not being read now: send it again in a moment."}
	case !in.status.PortUp:
		return nil, in.portDown()
	case !in.asking.acts.takeOf(now, commandsPerMinute):
		return nil, &record.AskRefused{Why: fmt.Sprintf("More than %d commands came for balance %s within a minute: see what sends them.", commandsPerMinute, in.about.ID)}
	}
	j.command = &c
	j.entry = &record.Command{Balance: in.about, Name: r.Name, State: record.CommandAsked, Send: []byte(c.Send), Caution: c.Caution,
		Where: r.Where, By: r.By, Port: in.cfg.Port.Address, Stamp: in.stamp(now)}
	id := in.await(j.entry)
	if !in.put(j.entry, j.entry.Stamp) {
		delete(in.durable, j.entry)
		return nil, fmt.Errorf("nothing was sent to balance %s: %w", in.about.ID, record.ErrUnrecorded)
	}
	return id, nil
}

// noteCommand puts the entry of what became of a command.
func (in *Intake) noteCommand(j *job, state, why string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	e := *j.entry
	e.Head, e.State, e.Asked, e.Why, e.Stamp = record.Head{}, state, j.id, why, in.stamp(in.now())
	if j.answer != nil {
		e.Answer = j.answer.frame
	}
	in.put(&e, e.Stamp)
}

// hand gives a job to the asker and waits until it is done.
func (in *Intake) hand(ctx context.Context, j *job) (*answer, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	j.left, j.done = ctx.Done(), make(chan struct{})
	if err := in.enqueue(j); err != nil {
		if j.command != nil {
			in.noteCommand(j, record.CommandNotSent, err.Error())
			var refused *record.AskRefused
			if errors.As(err, &refused) {
				err = &record.AskRefused{Why: refused.Why, Noted: true}
			}
		}
		return nil, err
	}
	select {
	case <-j.done:
		return j.answer, j.err
	case <-ctx.Done():
		return nil, fmt.Errorf("balance %s has not answered yet: %w", in.about.ID, ctx.Err())
	}
}

func (in *Intake) enqueue(j *job) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	switch {
	case !in.asks():
		return &record.AskRefused{Why: "Balance " + in.about.ID + " is not being read now: send it again in a moment."}
	case !in.status.PortUp:
		return in.portDown()
	}
	select {
	case in.asking.jobs <- j:
		return nil
	default:
		return &record.AskRefused{Why: fmt.Sprintf("%d requests wait for balance %s already: send it again when they are answered.", mostJobs, in.about.ID)}
	}
}

// asks says whether somebody asks this balance.
func (in *Intake) asks() bool { return in.gone != nil && !in.over && !in.asking.ended }

// endJobs answers the requests that nobody will carry out any more.
func (in *Intake) endJobs() {
	in.mu.Lock()
	in.asking.ended = true
	in.mu.Unlock()
	for {
		select {
		case j := <-in.asking.jobs:
			j.err = &record.AskRefused{Why: "Weighpost stopped reading balance " + in.about.ID + " before it was asked."}
			if j.command != nil {
				in.noteCommand(j, record.CommandNotSent, j.err.Error())
			}
			close(j.done)
		default:
			return
		}
	}
}

func (in *Intake) cannotAsk() error {
	return &record.AskRefused{Why: fmt.Sprintf("Balance %s is not asked for weights: its configuration says nothing under ask.", in.about.ID)}
}

// durableID waits until an entry is durable.
func (in *Intake) durableID(ctx context.Context, a *awaited) (string, error) {
	in.mu.Lock()
	gone := in.gone
	in.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, recordLimit)
	defer cancel()
	var err error
	select {
	case id := <-a.id:
		return id, nil
	case <-gone:
		err = errors.New("weighpost stops")
	case <-ctx.Done():
		err = ctx.Err()
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	delete(in.durable, a.body)
	select {
	case id := <-a.id:
		return id, nil
	default:
		return "", fmt.Errorf("balance %s: %w: %w", in.about.ID, record.ErrUnrecorded, err)
	}
}

func trimStop(s string) string { return strings.TrimSuffix(s, ".") }
