package archive

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/sync/errgroup"
)

const (
	ackWait   = 30 * time.Second // a message that nobody has acknowledged by then goes to whoever asks next
	firstWait = 3 * time.Second  // for the first message of a batch
	linger    = 20 * time.Millisecond
	askLimit  = 10 * time.Second
	pullFor   = 10 * time.Second
	beatEvery = time.Second // of the server, while nothing comes; two that are missed have the question put anew
)

// takeAll connects, takes messages and publishes co-signed checkpoints until ctx ends. What breaks is begun anew.
func (a *Archive) takeAll(ctx context.Context) error {
	return a.insist(ctx, "messages cannot be taken from the stream", func(ctx context.Context) error {
		conn, err := a.connect()
		if err != nil {
			return err
		}
		defer conn.Close()
		js, err := jetstream.New(conn)
		if err != nil {
			return err
		}
		consumer, err := a.consumer(ctx, js)
		if err != nil {
			return err
		}
		a.log.Info("messages are taken from the stream", "stream", a.cfg.NATS.Stream, "consumer", a.cfg.NATS.Consumer, "server", conn.ConnectedUrlRedacted())
		both, ctx := errgroup.WithContext(ctx)
		both.Go(func() error { return a.take(ctx, consumer) })
		both.Go(func() error { return a.publishAll(ctx, js) })
		return both.Wait()
	})
}

// connect goes to one of the servers. The library keeps the connection up, and changes to another server, by itself.
func (a *Archive) connect() (*nats.Conn, error) {
	o, err := a.cfg.NATS.Options()
	if err != nil {
		return nil, err
	}
	return nats.Connect(strings.Join(a.cfg.NATS.Servers, ","), append(o, nats.Name("weighpost archive"), nats.Timeout(5*time.Second),
		nats.MaxReconnects(-1), nats.ReconnectWait(200*time.Millisecond), nats.PingInterval(10*time.Second), nats.MaxPingsOutstanding(2),
		nats.IgnoreDiscoveredServers())...)
}

// consumer makes the durable consumer, or finds it.
func (a *Archive) consumer(ctx context.Context, js jetstream.JetStream) (jetstream.Consumer, error) {
	ctx, cancel := context.WithTimeout(ctx, askLimit)
	defer cancel()
	c, err := js.CreateOrUpdateConsumer(ctx, a.cfg.NATS.Stream, jetstream.ConsumerConfig{
		Durable: a.cfg.NATS.Consumer, Description: "Shared by all instances of weighpost archive.", FilterSubject: a.cfg.NATS.Prefix + ".>",
		DeliverPolicy: jetstream.DeliverAllPolicy, AckPolicy: jetstream.AckExplicitPolicy, AckWait: a.ackWait, MaxDeliver: -1,
		MaxAckPending: 20 * a.cfg.NATS.Batch,
	})
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		return nil, fmt.Errorf("there is no stream %s: the first gateway makes it (create: true in its sink), or its keeper does", a.cfg.NATS.Stream)
	case err != nil:
		return nil, fmt.Errorf("the consumer %s of the stream %s: %w", a.cfg.NATS.Consumer, a.cfg.NATS.Stream, err)
	}
	return c, nil
}

// take takes batch after batch, and acknowledges what the database has committed. As long as the database takes nothing, it waits with what it
// has; after ackWait other instances may get it too, which changes nothing.
func (a *Archive) take(ctx context.Context, consumer jetstream.Consumer) error {
	iter, err := consumer.Messages(jetstream.PullMaxMessages(a.cfg.NATS.Batch), jetstream.PullExpiry(pullFor), jetstream.PullHeartbeat(beatEvery))
	if err != nil {
		return err
	}
	defer iter.Stop()
	for {
		messages, err := a.next(ctx, iter)
		if err != nil {
			return err
		}
		a.counted.lastTaken.Store(time.Now().Unix())
		if a.hasty {
			acknowledge(messages)
		}
		list := make([]message, len(messages))
		for i, m := range messages {
			list[i] = messageOf(m)
		}
		if len(list) > 0 {
			if err := a.keep(ctx, list); err != nil {
				return err
			}
		}
		acknowledge(messages)
	}
}

// next gives the messages that are there, up to a batch. Where none is, it waits for the first.
func (a *Archive) next(ctx context.Context, iter jetstream.MessagesContext) ([]jetstream.Msg, error) {
	messages, err := collect(ctx, iter, 1, firstWait)
	if err != nil || len(messages) == 0 {
		return nil, err
	}
	more, err := collect(ctx, iter, a.cfg.NATS.Batch-1, linger)
	return append(messages, more...), err
}

// collect takes messages until there are enough, or the time is over.
func collect(ctx context.Context, iter jetstream.MessagesContext, most int, limit time.Duration) (messages []jetstream.Msg, err error) {
	wait, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for len(messages) < most {
		m, err := iter.Next(jetstream.NextContext(wait))
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, context.DeadlineExceeded), errors.Is(err, jetstream.ErrNoHeartbeat):
			return messages, nil
		case err != nil:
			return nil, err
		}
		messages = append(messages, m)
	}
	return messages, nil
}

// acknowledge tells the stream of each message that it is kept. Where that does not arrive they come again, and are known.
func acknowledge(messages []jetstream.Msg) {
	for _, m := range messages {
		_ = m.Ack()
	}
}

func messageOf(m jetstream.Msg) message {
	out := message{subject: m.Subject(), body: m.Data(), late: m.Headers().Get("Weighpost-Late") == "?1"}
	if meta, err := m.Metadata(); err == nil {
		out.place = int64(meta.Sequence.Stream)
	}
	return out
}

// keep writes messages, again and again until the database has them. Where it refuses what is in one of them, that one is kept as evidence
// of itself and the others go on.
func (a *Archive) keep(ctx context.Context, list []message) error {
	refused := error(nil)
	err := a.insist(ctx, "the database takes nothing", func(ctx context.Context) error {
		done, err := a.store(ctx, read(list, a.cfg.NATS.Prefix))
		if hostile(err) {
			refused = err
			return nil
		}
		if err == nil {
			a.count(done)
		}
		return err
	})
	switch {
	case err != nil || refused == nil:
		return err
	case len(list) > 1:
		if err := a.keep(ctx, list[:len(list)/2]); err != nil {
			return err
		}
		return a.keep(ctx, list[len(list)/2:])
	}
	what := fmt.Sprintf("PostgreSQL does not take it: %v", refused)
	return a.insist(ctx, "the database takes nothing", func(ctx context.Context) error {
		done, err := a.store(ctx, batch{oddities: []oddity{{list[0], what}}})
		if err == nil {
			a.count(done)
		}
		return err
	})
}

func (a *Archive) count(d stored) {
	c := &a.counted
	c.entries.Add(uint64(d.entries))
	c.again.Add(uint64(d.again))
	c.contradictions.Add(uint64(d.contradictions))
	c.checkpoints.Add(uint64(d.checkpoints))
	c.oddities.Add(uint64(d.oddities))
	if d.contradictions > 0 || d.oddities > 0 {
		a.log.Error("messages were published that do not fit: see weighpost archive status", "contradictions", d.contradictions, "no_entries", d.oddities)
	}
	tell(a.kick)
}

// tell wakes whoever waits; it may have been told already.
func tell(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
