package archive

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// aliveFor is how long an instance counts as alive after it last got through to the stream and to the database.
const aliveFor = 2 * time.Minute

// serve answers those who watch over the instance, until ctx ends.
func (a *Archive) serve(ctx context.Context) error {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", a.cfg.Listen)
	if err != nil {
		return fmt.Errorf("the address for monitoring cannot be used: %w", err)
	}
	reg := prometheus.NewRegistry()
	reg.MustRegister(numbers{a}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{MaxRequestsInFlight: 2, Timeout: 10 * time.Second}))
	mux.HandleFunc("GET /healthz", a.health)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 20 * time.Second, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { _ = server.Close() })
	defer stop()
	if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("what is served for monitoring ended: %w", err)
	}
	return ctx.Err()
}

// health says whether the instance has lately got through to both ends.
func (a *Archive) health(w http.ResponseWriter, _ *http.Request) {
	oldest := time.Now().Add(-aliveFor).Unix()
	for what, at := range map[string]int64{"the stream": a.counted.lastTaken.Load(), "the database": a.counted.lastLooked.Load()} {
		if at < oldest {
			http.Error(w, fmt.Sprintf("%s was not reached for %s: see the log", what, aliveFor), http.StatusServiceUnavailable)
			return
		}
	}
	fmt.Fprintln(w, "ok")
}

// numbers collects the instance's counters, and the state of all journals from the database, when they are asked for.
type numbers struct{ a *Archive }

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("weighpost_archive_"+name, help, labels, nil)
}

var (
	entriesTotal     = describe("entries_total", "Entries that this instance wrote.")
	againTotal       = describe("known_entries_total", "Entries that came to this instance and were there already.")
	contradictsTotal = describe("contradictions_total", "Entries that came to this instance and contradict one that is there.")
	odditiesTotal    = describe("no_entries_total", "Messages that came to this instance and are neither entries nor checkpoints.")
	headsTotal       = describe("checkpoints_total", "Checkpoints that this instance wrote.")
	cosignedTotal    = describe("cosigned_total", "Co-signed checkpoints that this instance published.")
	failuresTotal    = describe("failures_total", "Attempts of this instance that failed and were made again.")
	journalsNow      = describe("journals", "Journals in the archive, by state.", "state")
	dueNow           = describe("due_journals", "Journals about which something came that nobody has looked at.")
)

// Describe says nothing of what there will be, so that a database that is away changes nothing.
func (n numbers) Describe(chan<- *prometheus.Desc) {}

func (n numbers) Collect(to chan<- prometheus.Metric) {
	c := &n.a.counted
	for d, v := range map[*prometheus.Desc]uint64{entriesTotal: c.entries.Load(), againTotal: c.again.Load(), contradictsTotal: c.contradictions.Load(),
		odditiesTotal: c.oddities.Load(), headsTotal: c.checkpoints.Load(), cosignedTotal: c.cosigned.Load(), failuresTotal: c.failures.Load()} {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v))
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var disputed, behind, all, due float64
	err := n.a.pool.QueryRow(ctx, `SELECT count(*) FILTER (WHERE dispute IS NOT NULL), count(*) FILTER (WHERE dispute IS NULL AND cosigned < held), count(*),
		(SELECT count(DISTINCT journal) FROM archive.due) FROM archive.journals`).Scan(&disputed, &behind, &all, &due)
	if err != nil {
		return // the counters tell
	}
	for state, v := range map[string]float64{StateDispute: disputed, StateWaiting: behind, StateVerified: all - disputed - behind} {
		to <- prometheus.MustNewConstMetric(journalsNow, prometheus.GaugeValue, v, state)
	}
	to <- prometheus.MustNewConstMetric(dueNow, prometheus.GaugeValue, due)
}
