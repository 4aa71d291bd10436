package nats

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"weighpost/sinks"
)

// look finds the stream, or makes it where that is wanted, and says what is wrong with it.
func (l *link) look(ctx context.Context, c *Config) error {
	info, err := l.info(ctx, c.Stream)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if !c.Create {
			return sinks.Unusable{Err: fmt.Errorf("there is no stream %s: have it made by its keeper, or set create: true", c.Stream)}
		}
		_, err = l.js.CreateStream(ctx, c.streamConfig())
		if err == nil || errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) { // somebody else was quicker
			info, err = l.info(ctx, c.Stream)
		} else {
			return l.judgeStream(err, "the stream "+c.Stream+" cannot be made")
		}
	}
	if err != nil {
		return l.judgeStream(err, "the stream "+c.Stream+" cannot be looked at")
	}
	if differs := c.differs(info.Config); differs != nil {
		return sinks.Unusable{Err: fmt.Errorf("the stream %s cannot be used: %s. Change it there, or this sink's configuration",
			c.Stream, strings.Join(differs, "; "))}
	}
	l.takes = info.Config.Subjects
	return nil
}

// askAgain is how long one question about the stream goes unanswered before the next is put.
const askAgain = time.Second

// info asks for the stream, again and again until there is an answer or the time is over: while its servers elect a leader they drop
// questions, and who waited for the answer to the first would learn seconds too late that there is a leader.
func (l *link) info(ctx context.Context, name string) (*jetstream.StreamInfo, error) {
	type answer struct {
		info *jetstream.StreamInfo
		err  error
	}
	answers := make(chan answer, dialLimit/askAgain+1)
	var asking sync.WaitGroup
	defer asking.Wait()
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	defer l.hasten(cancel)()
	ask := func() {
		s, err := l.js.Stream(ctx, name)
		if err != nil {
			answers <- answer{nil, err}
			return
		}
		answers <- answer{s.CachedInfo(), nil}
	}
	asking.Go(ask)
	next := time.NewTicker(askAgain)
	defer next.Stop()
	for asked := 1; ; asked++ {
		select {
		case a := <-answers:
			return a.info, a.err
		case <-next.C:
			if asked < cap(answers) {
				asking.Go(ask)
			}
		}
	}
}

// hasten calls cancel when a server says that we may not do what we do, which it does beside any answer, until the function
// that it gives is called.
func (l *link) hasten(cancel func()) (stop func()) {
	over, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		select {
		case err := <-l.broken:
			l.complain(err) // for whoever asks why
			cancel()
		case <-l.gone:
			cancel()
		case <-over:
		}
	}()
	return func() { close(over); <-ended }
}

// streamConfig is the stream as it is made.
func (c *Config) streamConfig() jetstream.StreamConfig {
	s := jetstream.StreamConfig{
		Name: c.Stream, Description: "Weighings and what belongs to them, by weighpost.", Subjects: c.Subjects, Replicas: c.Replicas,
		Storage: jetstream.FileStorage, Retention: jetstream.LimitsPolicy, MaxAge: c.MaxAge.D(), Duplicates: c.Window.D(),
		// A full stream takes nothing more rather than dropping what it acknowledged.
		Discard: jetstream.DiscardNew, MaxBytes: -1, MaxMsgs: -1, MaxConsumers: -1, MaxMsgsPerSubject: -1, MaxMsgSize: -1,
	}
	if c.Retention == retainWorkqueue {
		s.Retention = jetstream.WorkQueuePolicy
	}
	if len(s.Subjects) == 0 {
		s.Subjects = []string{c.Prefix + ".>"}
	}
	if c.MaxBytes > 0 {
		s.MaxBytes = c.MaxBytes
	}
	if s.MaxAge > 0 && s.MaxAge < s.Duplicates {
		s.Duplicates = s.MaxAge
	}
	return s
}

// differs says in which ways a stream is not as promised or wanted; nil where it is.
func (c *Config) differs(s jetstream.StreamConfig) (list []string) {
	add := func(wrong bool, format string, a ...any) {
		if wrong {
			list = append(list, fmt.Sprintf(format, a...))
		}
	}
	add(s.Replicas < c.Replicas, "it has replicas %d and not %d, so that fewer servers may fail", s.Replicas, c.Replicas)
	add(s.Storage != jetstream.FileStorage, "it is kept in memory and lost when its servers stop")
	add(s.Retention == jetstream.InterestPolicy, "its retention is interest: it acknowledges and drops what nobody listens to")
	add(s.Retention != jetstream.InterestPolicy && s.Retention.String() != c.wantedRetention().String(),
		"its retention is %s and not %s", strings.ToLower(s.Retention.String()), c.Retention)
	add(s.NoAck, "it acknowledges nothing (no_ack)")
	add(s.Sealed, "it is sealed and takes nothing more")
	add(s.PersistMode != jetstream.DefaultPersistMode, "it acknowledges before it writes (persist_mode)")
	add(s.Mirror != nil, "it is a mirror of another stream, which takes nothing by itself")
	add(s.Duplicates < c.Window.D() && (s.MaxAge == 0 || s.MaxAge > s.Duplicates), "its duplicate window is %s and not %s", s.Duplicates, c.Window.D())
	return list
}

func (c *Config) wantedRetention() jetstream.RetentionPolicy {
	if c.Retention == retainWorkqueue {
		return jetstream.WorkQueuePolicy
	}
	return jetstream.LimitsPolicy
}

// catches says why the stream will never get what is published under a subject, or nil.
func (l *link) catches(subject string) error {
	if slices.ContainsFunc(l.takes, func(f string) bool { return covers(f, subject) }) {
		return nil
	}
	return sinks.Unusable{Err: fmt.Errorf("the stream %s takes in %s, and so never %s: add that to its subjects, or change subject_prefix",
		l.stream, strings.Join(l.takes, ", "), subject)}
}
