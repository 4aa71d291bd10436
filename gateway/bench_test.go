//go:build linux

package gateway_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/record"
	"weighpost/sinks/mqtt/mosquitto"
)

// BenchmarkLine has balances on pseudo-terminals print ten lines of 20 bytes a second each. Every line is recorded and
// published at QoS 1 to a real mosquitto, where an independent subscriber counts them. The daemon runs as a process of its
// own, so that neither the balances nor the broker are counted. It is for profiles (WEIGHPOST_BENCH_PROFILE): the comparison
// with the straightforward script is BenchmarkAgainstTheScript of package running, with the program as it is built.
//
// Reported: CPU time a line (starting up is left out, ending is not), the most memory that was resident, the median
// and 99th percentile of the time from a line's last byte to the subscriber, lines a second, and lines lost. Run it with -benchtime 1x.
func BenchmarkLine(b *testing.B) {
	for _, ports := range []int{8, 256} {
		b.Run(fmt.Sprintf("ports=%d", ports), func(b *testing.B) {
			perPort := 300
			if ports > 100 {
				perPort = 150
			}
			for b.Loop() {
				ours := measure(b, ports, perPort)
				ours.report(b)
				if ours.lost > 0 {
					b.Errorf("%d lines of %d were lost", ours.lost, ours.lines)
				}
			}
		})
	}
}

// outcome is what the daemon took for all lines of a site.
type outcome struct {
	lines, lost  int
	cpu, elapsed time.Duration
	resident     int64 // bytes
	p50, p99     time.Duration
}

func (o *outcome) report(b *testing.B) {
	b.ReportMetric(float64(o.cpu.Microseconds())/float64(o.lines), "CPU-µs/line")
	b.ReportMetric(float64(o.resident)/(1<<20), "MiB")
	b.ReportMetric(float64(o.p50.Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(o.p99.Microseconds())/1000, "p99-ms")
	b.ReportMetric(float64(o.lines)/o.elapsed.Seconds(), "lines/s")
	b.ReportMetric(float64(o.lost), "lost")
}

// measure runs the daemon over a new site.
func measure(b *testing.B, ports, perPort int) *outcome {
	b.Helper()
	broker := mosquitto.Start(b, mosquitto.Options{})
	s := newSite(b, ports, perPort)
	s.listen(b, broker)
	child := s.reader(b, broker)
	if err := child.Start(); err != nil {
		b.Fatal(err)
	}
	defer child.Process.Kill()
	s.warmUp(b)
	before := s.cpu(b, child.Process.Pid)
	begin := time.Now()
	s.print(b)
	elapsed := time.Since(begin)
	s.drain(60 * time.Second)
	resident := s.resident(b, child.Process.Pid)
	if err := child.Process.Signal(unix.SIGTERM); err != nil {
		b.Fatal(err)
	}
	if err := child.Wait(); err != nil {
		b.Errorf("the daemon did not end in good order: %v", err)
	}
	whole := child.ProcessState.UserTime() + child.ProcessState.SystemTime()
	missing, times := s.arrived()
	return &outcome{
		lines: ports * perPort, lost: missing, cpu: whole - before, elapsed: elapsed, resident: resident,
		p50: percentile(times, 50), p99: percentile(times, 99),
	}
}

func percentile(times []time.Duration, n int) time.Duration {
	if len(times) == 0 {
		return 0
	}
	slices.Sort(times)
	return times[len(times)*n/100]
}

// BenchmarkDurable is the time from the last byte of a printed line until the daemon shows the weighing as recorded, for 16
// balances that print ten lines a second each, against the disk's own write and sync in turns. Budget: ratio of the 99th
// percentiles ≤ 6. The journal's BenchmarkLatency is the same without port, parsing and pipeline.
func BenchmarkDurable(b *testing.B) {
	for b.Loop() {
		const rounds, perPort = 8, 25
		s := newSite(b, 16, rounds*perPort)
		name, text := s.config(b, "")
		cfg, faults := config.Load(name, text)
		if len(faults) > 0 {
			b.Fatal(faults)
		}
		g := gateway.New(cfg, gateway.Options{Hasher: littleWork()})
		view := g.Live().Subscribe(1 << 14)
		following, unfollow := context.WithCancel(b.Context())
		followed := make(chan struct{})
		go func() {
			defer close(followed)
			s.follow(following, view.C)
		}()
		if err := g.Start(b.Context()); err != nil {
			b.Fatal(err)
		}
		s.warmUp(b)
		var own []time.Duration
		for round := range rounds {
			own = append(own, diskTimes(b, cfg.Journal.Folder, 300)...)
			s.printSome(b, round*perPort, perPort)
		}
		s.drain(20 * time.Second)
		limit, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		if err := g.Stop(limit); err != nil {
			b.Error(err)
		}
		cancel()
		unfollow()
		<-followed
		view.Close()
		missing, times := s.arrived()
		if missing > 0 {
			b.Errorf("%d lines were not recorded", missing)
		}
		disk, durable := percentile(own, 99), percentile(times, 99)
		b.ReportMetric(float64(disk.Microseconds()), "disk-p99-µs")
		b.ReportMetric(float64(durable.Microseconds()), "durable-p99-µs")
		b.ReportMetric(float64(durable)/float64(disk), "ratio")
	}
}

// follow notes which weighings the daemon shows as recorded, until ctx ends.
func (s *site) follow(ctx context.Context, live <-chan record.Live) {
	for {
		select {
		case <-ctx.Done():
			return
		case l := <-live:
			if l.Recorded != "" && l.Value != nil {
				s.note(l.Balance, l.Value.Digits)
			}
		}
	}
}

// diskTimes are the disk's own times for appending 4 KiB and syncing.
func diskTimes(b *testing.B, dir string, n int) []time.Duration {
	b.Helper()
	f, err := os.CreateTemp(filepath.Dir(dir), "probe-")
	if err != nil {
		b.Fatal(err)
	}
	defer os.Remove(f.Name())
	defer f.Close()
	block := make([]byte, 4096)
	times := make([]time.Duration, n)
	for i := range times {
		begin := time.Now()
		if _, err := f.WriteAt(block, int64(i)*4096); err != nil {
			b.Fatal(err)
		}
		if err := unix.Fdatasync(int(f.Fd())); err != nil {
			b.Fatal(err)
		}
		times[i] = time.Since(begin)
		time.Sleep(time.Millisecond)
	}
	return times
}
