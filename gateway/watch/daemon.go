package watch

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"weighpost/gateway/record"
)

// Daemon watches a running daemon by the stream of its page.
type Daemon struct {
	URL string      // of the page
	TLS *tls.Config // how the page is known; nil: by the authorities of the system
	// Token is the host's, for a page that shows nothing to visitors; "": none.
	Token string

	told func(state) // is given each state as it comes; it may be nil

	silence      time.Duration // after which the stream counts as dead; 0: three of its beats
	first, later time.Duration // pauses between tries; 0: 1 s, 15 s
	holding      map[string]condition
	there, away  bool // said to be
}

// The page says every 15 s that it is there.
const (
	silence     = 45 * time.Second
	firstPause  = time.Second
	laterPause  = 15 * time.Second
	eventLimit  = 4 << 20 // bytes of one event: a state with hundreds of balances
	answerLimit = 64 << 10
)

// condition is one as the page tells it.
type condition struct {
	Code, Subject, Sentence, Remedy string
	Severity                        string
}

// state is what is needed of the page's state.
type state struct {
	Site       string         `json:"site"`
	Version    string         `json:"version"`
	At         record.UTC     `json:"at"`
	Conditions []condition    `json:"conditions"`
	Balances   []balanceState `json:"balances"`
	Sinks      []sinkState    `json:"sinks"`
	Clock      clockState     `json:"clock"`
	Recording  bool           `json:"recording"`
}

// Run hands over what happens until ctx ends, which is no error, or take fails. While the daemon is away it says so once and
// tries again. Readings in between are not shown, as on the page: the latest of each balance, ten times a second.
func (d *Daemon) Run(ctx context.Context, take func(Event) error) error {
	if err := d.prepare(); err != nil {
		return err
	}
	pause := d.first
	for {
		began := time.Now()
		err := d.follow(ctx, take)
		if ctx.Err() != nil {
			return nil
		}
		if stop := (*stopError)(nil); errors.As(err, &stop) {
			return stop.err
		}
		if time.Since(began) > d.later {
			pause = d.first
		}
		d.there = false
		if !d.away {
			d.away = true
			if err := take(Event{Event: Away, UTC: record.UTC(time.Now()), Why: d.sentence(err), About: d.URL}); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, d.later)
	}
}

func (d *Daemon) prepare() error {
	u, err := url.Parse(d.URL)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return fmt.Errorf("%q is no address of a page: it looks like http://127.0.0.1:8467", d.URL)
	}
	d.URL = strings.TrimSuffix(d.URL, "/")
	def := func(v *time.Duration, to time.Duration) {
		if *v == 0 {
			*v = to
		}
	}
	def(&d.silence, silence)
	def(&d.first, firstPause)
	def(&d.later, laterPause)
	d.holding = map[string]condition{}
	return nil
}

// stopError is one that trying again does not mend: whoever takes the events cannot.
type stopError struct{ err error }

func (e *stopError) Error() string { return e.err.Error() }

func (d *Daemon) sentence(err error) string {
	if err == nil || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Sprintf("the daemon at %s has closed the stream; trying again", d.URL)
	}
	return fmt.Sprintf("no daemon answers at %s (%v); trying again", d.URL, err)
}

// follow reads one connection to its end.
func (d *Daemon) follow(ctx context.Context, take func(Event) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	alive := time.AfterFunc(d.silence, func() { cancel(fmt.Errorf("nothing has come for %s", d.silence)) })
	defer alive.Stop()
	body, err := open(ctx, d.TLS, d.Token, d.URL+"/live")
	if err != nil {
		return cause(ctx, err)
	}
	defer body.Close()
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, eventLimit)
	err = scanEvents(lines, func() { alive.Reset(d.silence) }, func(name string, data []byte) error { return d.event(name, data, take) })
	if err != nil {
		return err
	}
	return cause(ctx, lines.Err())
}

// scanEvents gives the events of a stream, each with its data. A page of weighpost writes these as one line.
func scanEvents(lines *bufio.Scanner, heard func(), take func(name string, data []byte) error) error {
	name := ""
	for lines.Scan() {
		heard()
		field, value, _ := strings.Cut(lines.Text(), ":")
		value = strings.TrimPrefix(value, " ")
		switch field {
		case "event":
			name = value
		case "data":
			if err := take(name, []byte(value)); err != nil {
				return err
			}
		}
	}
	return nil
}

// cause prefers why the connection was given up to what that did to it.
func cause(ctx context.Context, err error) error {
	if why := context.Cause(ctx); why != nil && err != nil {
		return why
	}
	return err
}

// client talks to the page without a proxy: it is on this computer, or behind a tunnel that is.
func client(pin *tls.Config) *http.Client {
	return &http.Client{Transport: &http.Transport{Proxy: nil, DisableKeepAlives: true, TLSClientConfig: pin},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

func open(ctx context.Context, pin *tls.Config, token, address string) (io.ReadCloser, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	answer, err := client(pin).Do(request)
	if err != nil {
		var wrapped *url.Error
		if errors.As(err, &wrapped) {
			err = wrapped.Err // the address is said already
		}
		return nil, err
	}
	if answer.StatusCode != http.StatusOK || !strings.HasPrefix(answer.Header.Get("Content-Type"), "text/event-stream") {
		defer answer.Body.Close()
		var problem struct{ Title, Detail string }
		b, _ := io.ReadAll(io.LimitReader(answer.Body, answerLimit))
		if json.Unmarshal(b, &problem) == nil && problem.Title != "" {
			return nil, fmt.Errorf("%s: %s %s", answer.Status, problem.Title, problem.Detail)
		}
		return nil, fmt.Errorf("%s, which is not what a page of weighpost answers", answer.Status)
	}
	return answer.Body, nil
}

// event turns one event of the page into ours.
func (d *Daemon) event(name string, data []byte, take func(Event) error) error {
	switch name {
	case "readings":
		var list []record.Live
		if err := json.Unmarshal(data, &list); err != nil {
			return fmt.Errorf("its readings cannot be understood: %w", err)
		}
		for _, l := range list {
			if err := take(eventOf(l)); err != nil {
				return &stopError{err}
			}
		}
	case "state":
		var s state
		if err := json.Unmarshal(data, &s); err != nil {
			return fmt.Errorf("its state cannot be understood: %w", err)
		}
		if d.told != nil {
			d.told(s)
		}
		for _, e := range d.changes(s) {
			if err := take(e); err != nil {
				return &stopError{err}
			}
		}
	}
	return nil
}

func eventOf(l record.Live) Event {
	e := Event{Event: Reading, UTC: l.UTC, Balance: l.Balance, Value: l.Value}
	switch {
	case l.Recorded != "":
		e.Event, e.ID, e.Person, e.Sample = Recorded, l.Recorded, l.Person, l.Sample
	case l.Unread != "":
		e.Event, e.Why = Unread, l.Unread
	}
	return e
}

// changes says what is new in a state: that the daemon is there, what is wrong since the last one, and what no longer is.
func (d *Daemon) changes(s state) (list []Event) {
	if !d.there {
		about := fmt.Sprintf("%s at %s: %d balances", s.Site, d.URL, len(s.Balances))
		if len(s.Balances) == 1 {
			about = fmt.Sprintf("%s at %s: 1 balance", s.Site, d.URL)
		}
		list = append(list, Event{Event: Connected, UTC: s.At, About: about})
	}
	d.there, d.away = true, false
	now := map[string]condition{}
	for _, c := range s.Conditions {
		key := c.Code + "\x00" + c.Subject
		now[key] = c
		if d.holding[key] != c {
			list = append(list, Event{Event: Condition, UTC: s.At, Code: c.Code, Subject: c.Subject, Severity: c.Severity,
				Sentence: c.Sentence, Remedy: c.Remedy})
		}
	}
	for key, c := range d.holding {
		if _, still := now[key]; !still {
			list = append(list, Event{Event: Cleared, UTC: s.At, Code: c.Code, Subject: c.Subject})
		}
	}
	d.holding = now
	return list
}
