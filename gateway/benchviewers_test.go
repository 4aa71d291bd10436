//go:build linux

package gateway_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway/needs"
	"weighpost/gateway/needs/chromium"
	"weighpost/sinks/mqtt/mosquitto"
)

// BenchmarkViewers has 64 balances print ten lines a second each, all of them recorded and published, while nobody, 20 and 200
// browsers look at all of them. The daemon is a process of its own; balances, broker's subscriber and viewers are not counted.
// Reported: CPU time a line of each, as multiples of that without viewers, bytes a second and the most updates a second of one
// balance that a viewer was sent, the 99th percentile from a line's last byte to the broker's subscriber, and lines lost. Run it
// with -benchtime 1x.
func BenchmarkViewers(b *testing.B) {
	const ports, perPort = 64, 150
	for b.Loop() {
		var alone time.Duration
		for _, viewers := range []int{0, 20, 200} {
			o, seen := watched(b, ports, perPort, viewers)
			if viewers == 0 {
				alone = o.cpu
			}
			of := fmt.Sprintf("%d-viewers-", viewers)
			b.ReportMetric(float64(o.cpu.Microseconds())/float64(o.lines), of+"CPU-µs/line")
			b.ReportMetric(float64(o.p99.Microseconds())/1000, of+"p99-ms")
			b.ReportMetric(float64(o.resident)/(1<<20), of+"MiB")
			if o.lost > 0 {
				b.Errorf("with %d viewers %d lines were lost", viewers, o.lost)
			}
			if viewers == 0 {
				continue
			}
			b.ReportMetric(float64(o.cpu)/float64(alone), of+"CPU/none")
			b.ReportMetric(float64(seen.bytes.Load())/float64(viewers)/o.elapsed.Seconds()/1000, of+"kB/s")
			b.ReportMetric(float64(seen.updates.Load())/float64(viewers)/float64(ports)/o.elapsed.Seconds(), of+"updates/s")
		}
	}
}

// looked is what all viewers together were sent.
type looked struct{ bytes, updates atomic.Int64 }

// watched measures a daemon while so many look on.
func watched(b *testing.B, ports, perPort, viewers int) (*outcome, *looked) {
	b.Helper()
	broker := mosquitto.Start(b, mosquitto.Options{})
	s := newSite(b, ports, perPort)
	s.page = needs.FreeAddress(b)
	s.listen(b, broker)
	child := s.reader(b, broker)
	if err := child.Start(); err != nil {
		b.Fatal(err)
	}
	defer child.Process.Kill()
	s.warmUp(b)
	ctx, cancel := context.WithCancel(b.Context())
	var all, ready sync.WaitGroup
	seen := &looked{}
	for range viewers {
		ready.Add(1)
		all.Go(func() { look(ctx, b, "http://"+s.page+"/live", seen, ready.Done) })
	}
	ready.Wait()
	seen.bytes.Store(0)
	seen.updates.Store(0)
	before, begin := s.cpu(b, child.Process.Pid), time.Now()
	s.print(b)
	o := &outcome{lines: ports * perPort, elapsed: time.Since(begin)}
	s.drain(60 * time.Second)
	o.cpu, o.resident = s.cpu(b, child.Process.Pid)-before, s.resident(b, child.Process.Pid)
	cancel()
	all.Wait()
	if err := child.Process.Signal(unix.SIGTERM); err != nil {
		b.Fatal(err)
	}
	if err := child.Wait(); err != nil {
		b.Errorf("the daemon did not end in good order: %v", err)
	}
	missing, times := s.arrived()
	o.lost, o.p99 = missing, percentile(times, 99)
	return o, seen
}

// look reads a page's stream until ctx ends. ready is called once the first state has come.
func look(ctx context.Context, b *testing.B, address string, seen *looked, ready func()) {
	first := sync.OnceFunc(ready)
	defer first()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		b.Error(err)
		return
	}
	resp, err := (&http.Transport{DisableKeepAlives: true}).RoundTrip(req)
	if err != nil || resp.StatusCode != http.StatusOK {
		b.Errorf("a viewer is not let in: %v %v", resp, err)
		return
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 4<<20)
	readings := false
	for lines.Scan() {
		seen.bytes.Add(int64(len(lines.Bytes()) + 1))
		if name, ok := bytes.CutPrefix(lines.Bytes(), []byte("event: ")); ok {
			readings = string(name) == "readings"
			continue
		}
		if data, ok := bytes.CutPrefix(lines.Bytes(), []byte("data: ")); ok {
			first()
			if readings {
				seen.updates.Add(int64(bytes.Count(data, []byte(`{"balance":`)) - bytes.Count(data, []byte(`"recorded":`))))
			}
		}
	}
	if ctx.Err() == nil {
		b.Errorf("a viewer was dropped: %v", lines.Err())
	}
}

// BenchmarkPages is how long the daemon takes to make each page, and how many bytes it has, with six balances and some two
// thousand weighings. Run it with -benchtime 1x; each page is asked for 30 times.
func BenchmarkPages(b *testing.B) {
	for b.Loop() {
		s := newSite(b, 6, 300)
		g, end := s.daemon(b)
		s.print(b)
		s.drain(20 * time.Second)
		var list struct{ Weighings []struct{ ID string } }
		if err := json.Unmarshal(page(b, g.PageURL()+"api/v1/weighings?limit=1"), &list); err != nil || len(list.Weighings) != 1 {
			b.Fatalf("%v %+v", err, list)
		}
		for _, path := range []string{"", "balances/b-1", "bench/b-1", "wall", "weighed", "weighed/" + list.Weighings[0].ID, "happened", "delivered", "clock", "settings", "manual/bench", "sign-in"} {
			const times = 30
			size, begin := 0, time.Now()
			for range times {
				size = len(page(b, g.PageURL()+path))
			}
			name := path
			if strings.HasPrefix(name, "weighed/") {
				name = "one-record"
			}
			b.ReportMetric(float64(time.Since(begin).Microseconds())/times/1000, "/"+name+"-ms")
			b.ReportMetric(float64(size)/1000, "/"+name+"-kB")
		}
		end()
	}
	http.DefaultClient.CloseIdleConnections()
}

// page asks for one whole.
func page(b *testing.B, address string) []byte {
	b.Helper()
	resp, err := http.Get(address)
	if err != nil {
		b.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		b.Fatalf("%s: %s %v %.300s", address, resp.Status, err, body)
	}
	return body
}

// BenchmarkFirstPaint is how long a real browser takes from asking for a page to the first thing that it paints, with nothing of it
// in its cache: the entry first-contentful-paint of the Paint Timing specification (W3C). Each page is opened in a browser
// context of its own, ten times; the median counts. Run it with -benchtime 1x.
func BenchmarkFirstPaint(b *testing.B) {
	for b.Loop() {
		s := newSite(b, 6, 30)
		g, end := s.daemon(b)
		s.print(b)
		browser := chromium.Start(b, 2*time.Minute)
		for _, path := range []string{"", "weighed", "bench/b-1", "settings"} {
			var times []time.Duration
			for range 10 {
				fresh := browser.NewContext()
				browser.OpenIn(fresh, g.PageURL()+path)
				times = append(times, paint(b, browser))
				browser.EndContext(fresh)
			}
			b.ReportMetric(float64(percentile(times, 50).Microseconds())/1000, "/"+path+"-ms")
		}
		end()
	}
}

// paint waits for the first paint of the page that is open.
func paint(b *testing.B, browser *chromium.Browser) time.Duration {
	b.Helper()
	for range 1000 {
		ms, err := strconv.ParseFloat(browser.Text(`performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? ""`), 64)
		if err == nil {
			return time.Duration(ms * float64(time.Millisecond))
		}
		time.Sleep(10 * time.Millisecond)
	}
	b.Fatal("nothing was painted")
	return 0
}
