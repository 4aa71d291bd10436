// Package demo is a small lab to play with: simulated balances of a seed bank on pseudo-terminals, a scanner beside one, a lab
// system that serves another, a broker, a folder and a URL, with the real daemon between them. Beside them a day of work passes at a seed
// testing bench (day.go): a lab system's requests are answered by runs of procedures. It owns the simulation and the
// judgement at the end, which holds what arrived behind each sink against what the balances printed, and the person and sample
// of each weighing against what was scanned, sent or printed for it. Nothing in the daemon knows that it is here.
//
// There are no simulated time servers: they could only repeat the clock of this computer, so that stamps would say "checked"
// of a clock that nobody checked.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/parsers/layout"
)

// Options says what to simulate.
type Options struct {
	For      time.Duration // 0: until ctx ends
	Listen   string        // of the page; "": a loopback port, the next free one if it is taken
	Balances int           // at least 1
	Rate     float64       // lines a second of a balance that prints on its key
	Dir      string        // "": a folder that is removed at the end
	Say      io.Writer     // where a person reads what happens
}

// patience is how long the daemon may bring nothing to any sink, while something is still on its way, before the demo calls
// it lost. A folder takes many weighings at the pace of its disk; what counts is that it gets on.
const patience = 20 * time.Second

// lab is one running demo.
type lab struct {
	o        Options
	dir      string
	balances []*balance
	corner   []*balance // of the check corner
	bench    []*balance // of the seed testing bench
	day      *day
	ends     []func()
	mqtt     receiver
	http     receiver
	files    receiver
	at       places
	gateway  *gateway.Gateway
	options  gateway.Options // the daemon's own, in tests too but for the work of hashes
}

// Run simulates until the time is up or ctx ends, and judges. The error says why the lab could not run; whether everything
// arrived is for Report.Verdict.
func Run(ctx context.Context, o Options) (Report, error) {
	if o.Balances < 1 || o.Balances > 1000 || o.Rate <= 0 || o.Rate > 1000 {
		return Report{}, fmt.Errorf("the demo takes 1 to 1000 balances and a rate above 0 up to 1000 lines a second")
	}
	l := &lab{o: o}
	defer l.end()
	if err := l.set(ctx); err != nil {
		return Report{}, err
	}
	began := time.Now()
	if err := l.weigh(ctx); err != nil {
		return Report{}, err
	}
	printing := time.Since(began)
	l.waitForArrival()
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*patience)
	defer cancel()
	if err := l.gateway.Stop(limit); err != nil {
		return Report{}, err
	}
	return l.judge(limit, printing)
}

// shared is where several say something, one after the other.
type shared struct {
	mu sync.Mutex
	w  io.Writer
}

func (s *shared) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.w.Write(b)
}

// onEnd puts a clean-up on the lab's stack.
func (l *lab) onEnd(f func()) { l.ends = append(l.ends, f) }

func (l *lab) end() {
	for i := len(l.ends) - 1; i >= 0; i-- {
		l.ends[i]()
	}
}

// set builds the lab: folder, lines, receivers, configuration, daemon.
func (l *lab) set(ctx context.Context) (err error) {
	l.o.Say = &shared{w: l.o.Say}
	if err := l.makeFolder(); err != nil {
		return err
	}
	seed := uint64(time.Now().UnixNano())
	if l.balances, err = newBalances(l.o.Balances, seed); err != nil {
		return err
	}
	if l.corner, err = newCorner(seed); err != nil {
		return err
	}
	if l.bench, err = newBench(seed); err != nil {
		return err
	}
	addresses := make([]string, len(l.all()))
	for i, b := range l.all() {
		address, wire, pull, err := newWire(l.dir, b.id)
		if err != nil {
			return fmt.Errorf("no line for simulated balance %s: %w", b.id, err)
		}
		addresses[i], b.wire = address, wire
		end, err := l.answering(i, pull)
		l.onEnd(end)
		if err != nil {
			return err
		}
	}
	scanner, err := l.placeScanner()
	if err != nil {
		return err
	}
	if err := l.openReceivers(ctx); err != nil {
		return err
	}
	path, err := writeConfiguration(l.dir, l.all(), addresses, scanner, l.at)
	if err != nil {
		return err
	}
	if err := l.startDaemon(ctx, path); err != nil {
		return err
	}
	return l.startLabSystem()
}

// all are the balances, those of the check corner and of the seed testing bench last.
func (l *lab) all() []*balance { return slices.Concat(l.balances, l.corner, l.bench) }

func (l *lab) makeFolder() (err error) {
	if l.o.Dir == "" {
		if l.dir, err = os.MkdirTemp("", "weighpost-demo-"); err != nil {
			return err
		}
		l.onEnd(func() { _ = os.RemoveAll(l.dir) })
	} else {
		if l.dir, err = filepath.Abs(l.o.Dir); err != nil {
			return err
		}
		if _, err := os.Stat(filepath.Join(l.dir, "journal.db")); err == nil {
			return fmt.Errorf("%s holds a journal already: the demo begins with an empty folder, give it another one", l.o.Dir)
		}
	}
	l.at.journal, l.at.folder, l.at.reports = l.dir, filepath.Join(l.dir, "files"), filepath.Join(l.dir, "reports")
	if err := os.MkdirAll(l.at.reports, 0o755); err != nil {
		return err
	}
	return os.MkdirAll(l.at.folder, 0o755)
}

// answering has a balance that speaks only when asked answer, where its line can be read and a lab system asks; otherwise it
// prints like the others. It gives what ends that, and the line.
func (l *lab) answering(i int, pull func()) (end func(), err error) {
	b := l.all()[i]
	line, readable := b.wire.(io.Reader)
	if b.asked = b.asked && readable && i == labSystemAt; !b.asked {
		return pull, nil
	}
	empty, err := b.layout.Print(nil, b.values(0, layout.Stable))
	if err != nil {
		return pull, err
	}
	b.lay(empty)
	done := make(chan struct{})
	go func() {
		defer close(done)
		b.answer(line)
	}()
	return func() { pull(); <-done }, nil
}

// openReceivers starts what waits behind the sinks.
func (l *lab) openReceivers(ctx context.Context) error {
	broker, stop, err := startBroker()
	if err != nil {
		return err
	}
	l.onEnd(stop)
	l.at.broker = broker
	deaf, err := l.mqtt.listenMQTT(ctx, broker, "weighpost/seed-bank/+/weighing")
	if err != nil {
		return err
	}
	l.onEnd(deaf)
	url, stop, err := l.http.listenHTTP()
	if err != nil {
		return err
	}
	l.onEnd(stop)
	l.at.url = url
	l.day = &day{lab: l, left: l.bench[0], right: l.bench[1], system: &labQueue{say: l.o.Say}}
	if l.at.answers, stop, err = l.day.system.listen(); err != nil {
		return err
	}
	l.onEnd(stop)
	if l.at.listen = l.o.Listen; l.at.listen == "" {
		l.at.listen, err = freeAddress(console.DefaultListen)
	}
	return err
}

// freeAddress is the address, or the next one with a free port.
func freeAddress(first string) (string, error) {
	host, text, err := net.SplitHostPort(first)
	if err != nil {
		return "", err
	}
	port := 0
	if _, err := fmt.Sscan(text, &port); err != nil {
		return "", err
	}
	for n := port; n < port+100; n++ {
		address := net.JoinHostPort(host, fmt.Sprint(n))
		l, err := net.Listen("tcp", address)
		if err == nil {
			return address, l.Close()
		}
	}
	return "", fmt.Errorf("no free port from %s on: name one with --listen", first)
}

func (l *lab) startDaemon(ctx context.Context, path string) error {
	cfg, err := config.LoadFile(path)
	if err != nil {
		return fmt.Errorf("the demo's own configuration: %w", err)
	}
	l.gateway = gateway.New(cfg, l.options)
	if err := l.gateway.Start(ctx); err != nil {
		return err
	}
	l.onEnd(func() { _ = l.gateway.Stop(context.WithoutCancel(ctx)) }) // after an error; a second Stop does nothing
	fmt.Fprintf(l.o.Say, "A seed bank with %d simulated balances on %s.\n  page    %s\n  broker  %s (topics weighpost/seed-bank/#)\n  folder  %s\n  URL     %s\n",
		len(l.balances), wireKind, l.gateway.PageURL(), l.at.broker, l.at.folder, l.at.url)
	fmt.Fprintf(l.o.Say, "  to sign in on the page, make the first account with the one-time token in %s\n", filepath.Join(l.at.journal, "set-up.token"))
	if len(l.balances) > scannerAt {
		fmt.Fprintf(l.o.Say, "  person and sample of %s come from a simulated scanner", l.balances[scannerAt].id)
		if len(l.balances) > labSystemAt {
			fmt.Fprintf(l.o.Say, ", of %s from a simulated lab system over HTTP", l.balances[labSystemAt].id)
			if l.balances[labSystemAt].asked {
				fmt.Fprint(l.o.Say, ", which asks that balance for each weighing")
			}
		}
		fmt.Fprintln(l.o.Say)
	}
	fmt.Fprintf(l.o.Say, "  at a check corner, with a reference weight that is invented: %s is due for a check, which you can make on the page once signed in\n"+
		"  (the weight places itself); %s fails one now, and is out of service\n", cornerDue, cornerFailed)
	fmt.Fprintf(l.o.Say, "  at a seed testing bench (%s and %s) a day's work is done by procedures, for requests of a simulated lab system, over a night of %s\n",
		benchLeft, benchRight, nightTime)
	if l.o.For == 0 {
		fmt.Fprintln(l.o.Say, "Stop with Ctrl-C.")
	}
	return l.waitForPorts(ctx)
}

// silence is how long a line is quiet before the first frame, so that nobody need wonder whether its beginning was heard.
const silence = 500 * time.Millisecond

// waitForPorts lets nobody print before the daemon listens, since a real balance's lines wait for nobody either.
func (l *lab) waitForPorts(ctx context.Context) error {
	up := func() bool {
		for _, b := range l.gateway.Balances() {
			if !b.PortUp {
				return false
			}
		}
		return true
	}
	for limit := time.Now().Add(patience); !up(); {
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case time.Now().After(limit):
			return errors.New("the daemon has not opened every simulated port within 20 s")
		}
		time.Sleep(20 * time.Millisecond)
	}
	time.Sleep(silence)
	return nil
}

// weigh has all balances print until the time is up.
func (l *lab) weigh(ctx context.Context) error {
	if l.o.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, l.o.For)
		defer cancel()
	}
	group, ctx := errgroup.WithContext(ctx)
	for _, b := range l.balances {
		group.Go(func() error { return b.run(ctx, l.o.Rate) })
	}
	group.Go(func() error { return l.checkCorner(ctx) })
	group.Go(func() error { return l.day.passes(ctx) })
	for _, b := range l.bench {
		group.Go(func() error { return l.day.helps(ctx, b) })
	}
	if l.o.For == 0 {
		group.Go(func() error { return l.tell(ctx) })
	}
	return group.Wait()
}

// tell shows now and then how far everything is.
func (l *lab) tell(ctx context.Context) error {
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			recorded := uint64(0)
			for _, b := range l.gateway.Balances() {
				recorded += b.Recorded
			}
			fmt.Fprintf(l.o.Say, "%s  recorded %d; arrived: mqtt %d, http %d\n", time.Now().Format("15:04:05"), recorded, l.mqtt.distinct(), l.http.distinct())
		}
	}
}

// waitForArrival gives what was printed the time to arrive everywhere, for as long as more arrives. It only waits; what is
// missing is for the judge.
func (l *lab) waitForArrival() {
	want := 0
	for _, b := range l.all() {
		want += len(b.truth)
	}
	least, moved := ^uint64(0), time.Now()
	for told := moved; time.Since(moved) < patience; time.Sleep(50 * time.Millisecond) {
		lag := uint64(0)
		for _, s := range l.gateway.Sinks() {
			lag += s.Lag
		}
		if lag == 0 && l.mqtt.distinct() >= want && l.http.distinct() >= want {
			return
		}
		if lag < least {
			least, moved = lag, time.Now()
		}
		if time.Since(told) > 5*time.Second {
			told = time.Now()
			fmt.Fprintf(l.o.Say, "The balances have stopped; %d deliveries are on their way.\n", lag)
		}
	}
}

// faultsOf names what came and was no weighing.
func faultsOf(kind string, r *receiver) []string {
	if len(r.faults) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: %s", kind, strings.Join(r.faults, ", "))}
}
