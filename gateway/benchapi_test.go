//go:build linux

package gateway_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/config"
)

// BenchmarkAskedWhileRecording is the time from the last byte of a printed line until the daemon shows the weighing as recorded, for
// 64 balances that print ten lines a second each, in turns: alone, and while 1,000 requests a second come to the API. Who asks runs in
// the same process and takes its share of the processors. Reported: both 99th percentiles, their ratio, and the requests a second that were
// answered. Run it with -benchtime 1x.
func BenchmarkAskedWhileRecording(b *testing.B) {
	const ports, turns, perTurn = 64, 6, 30
	for b.Loop() {
		s := newSite(b, ports, turns*perTurn)
		g, end := s.daemon(b)
		var answered atomic.Int64
		var asked time.Duration
		for turn := range turns {
			ctx, cancel := context.WithCancel(b.Context())
			var askers sync.WaitGroup
			if turn%2 == 1 {
				for n := range 20 {
					askers.Go(func() { askAtRate(ctx, b, g.PageURL()+"api/v1/", n, 50, &answered) })
				}
			}
			begin := time.Now()
			s.printSome(b, turn*perTurn, perTurn)
			if turn%2 == 1 {
				asked += time.Since(begin)
			}
			cancel()
			askers.Wait()
		}
		s.drain(20 * time.Second)
		end()
		if missing, _ := s.arrived(); missing > 0 {
			b.Errorf("%d lines were not recorded", missing)
		}
		alone, beside := s.turn(turns, perTurn, 0), s.turn(turns, perTurn, 1)
		b.ReportMetric(float64(alone.Microseconds())/1000, "alone-p99-ms")
		b.ReportMetric(float64(beside.Microseconds())/1000, "asked-p99-ms")
		b.ReportMetric(float64(beside)/float64(alone), "ratio")
		b.ReportMetric(float64(answered.Load())/asked.Seconds(), "requests/s")
	}
	http.DefaultClient.CloseIdleConnections()
}

// daemon starts a daemon in this process and notes what it shows as recorded, until end.
func (s *site) daemon(b *testing.B) (g *gateway.Gateway, end func()) {
	b.Helper()
	name, text := s.config(b, "")
	cfg, faults := config.Load(name, text)
	if len(faults) > 0 {
		b.Fatal(faults)
	}
	g = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	view := g.Live().Subscribe(1 << 14)
	following, unfollow := context.WithCancel(b.Context())
	var followed sync.WaitGroup
	followed.Go(func() { s.follow(following, view.C) })
	if err := g.Start(b.Context()); err != nil {
		b.Fatal(err)
	}
	s.warmUp(b)
	return g, func() {
		limit, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		defer cancel()
		if err := g.Stop(limit); err != nil {
			b.Error(err)
		}
		unfollow()
		followed.Wait()
		view.Close()
	}
}

// turn is the 99th percentile of every second turn, from the given one on.
func (s *site) turn(turns, perTurn, from int) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	var times []time.Duration
	for turn := from; turn < turns; turn += 2 {
		for i := range s.sent {
			for n := turn*perTurn + 1; n <= (turn+1)*perTurn; n++ {
				if !s.came[i][n].IsZero() {
					times = append(times, s.came[i][n].Sub(s.sent[i][n]))
				}
			}
		}
	}
	return percentile(times, 99)
}

// askAtRate asks so often a second, until ctx ends.
func askAtRate(ctx context.Context, b *testing.B, base string, n, rate int, answered *atomic.Int64) {
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	tick := time.NewTicker(time.Second / time.Duration(rate))
	defer tick.Stop()
	for i := n; ; i++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		path := []string{"balances/b-1", "weighings?limit=20&sort=-seq", "balances/b-2/next?wait_s=0&after=1", "clock", fmt.Sprintf("entries?limit=20&sort=-seq&balance=b-%d", 1+i%64)}[i%5]
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+path, nil)
		if err != nil {
			b.Error(err)
			return
		}
		resp, err := client.Do(req)
		if err != nil {
			continue // the turn is over
		}
		_, err = io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
		if err == nil && resp.StatusCode != http.StatusOK {
			b.Errorf("%s: %d", path, resp.StatusCode)
			return
		}
		if err == nil {
			answered.Add(1)
		}
	}
}
