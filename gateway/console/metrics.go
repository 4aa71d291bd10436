package console

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"weighpost/gateway/health"
)

// metrics answers with the Prometheus text format, from a registry of its own.
func (s *Server) metrics() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(&facts{s: s}, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 5 * time.Second})
}

// facts collects the daemon's own numbers when it is asked for them.
type facts struct{ s *Server }

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("weighpost_"+name, help, labels, nil)
}

var (
	recordedTotal = describe("recorded_total", "Weighings and results that the journal has acknowledged since the start.", "balance")
	framesTotal   = describe("frames_total", "Frames received since the start.", "balance")
	unreadTotal   = describe("unread_total", "Frames without a usable value since the start.", "balance")
	unkeptTotal   = describe("unkept_total", "Readings since the start that could not be recorded because too many waited.", "balance")
	waiting       = describe("waiting_entries", "Entries in memory that the journal has not acknowledged.", "balance")
	portUp        = describe("port_up", "1 while the balance's port is open.", "balance")
	tapLeftOut    = describe("tap_lines_left_out_total", "Lines that the program at the balance's tap did not read in time, since the tap was opened first.", "balance")
	tapNotSent    = describe("tap_bytes_not_sent_total", "Bytes of the program's at the balance's tap that were not sent to the balance, likewise.", "balance")
	tapProgram    = describe("tap_program", "1 while a program is at the balance's tap.", "balance")
	conditions    = describe("conditions", "Conditions that hold now.", "severity")
	condition     = describe("condition", "1 for each condition that is listed now; what comes from another is not.", "code", "subject", "severity")
	about         = describe("info", "1; which site this is, the version of the program, and the incarnation of the journal.", "site", "version", "incarnation")
	journalHead   = describe("journal_head", "Sequence of the latest entry in the journal.")
	ready         = describe("ready", "1 while recording works.")
)

// Describe lists what Collect gives.
func (f *facts) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{recordedTotal, framesTotal, unreadTotal, unkeptTotal, waiting, portUp,
		tapLeftOut, tapNotSent, tapProgram, questionsTotal, answersTotal, missedTotal, lastAnswer,
		fitnessState, nextCheck, unjudged, overdueMass, delivered, parked, lag, sinkWaiting, behindSince, working, sinkPaused,
		conditions, condition, about, journalHead, checkpointSize, checkpointTime, diskFree, diskLasts, verified, verifiedAt, journalSize, ready,
		clockState, clockBound, clockOffset, clockDistance, clockServer, reloadsTotal, reloadGood, reloadTime, certificateUntil} {
		ch <- d
	}
}

// Collect gives the numbers of this moment.
func (f *facts) Collect(ch chan<- prometheus.Metric) {
	send := func(d *prometheus.Desc, t prometheus.ValueType, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, t, v, labels...)
	}
	counter, gauge := prometheus.CounterValue, prometheus.GaugeValue
	for _, b := range f.s.deps.Source.Balances() {
		send(recordedTotal, counter, float64(b.Recorded), b.ID)
		send(framesTotal, counter, float64(b.Frames), b.ID)
		collectAsking(&b, send)
		send(unreadTotal, counter, float64(b.Unread), b.ID)
		send(unkeptTotal, counter, float64(b.Unkept), b.ID)
		send(waiting, gauge, float64(b.Waiting), b.ID)
		send(portUp, gauge, truth(b.PortUp), b.ID)
		if b.Tap != nil {
			send(tapLeftOut, counter, float64(b.Tap.LinesLeftOut), b.ID)
			send(tapNotSent, counter, float64(b.Tap.NotSent), b.ID)
			send(tapProgram, gauge, truth(b.Tap.Program), b.ID)
		}
	}
	collectSinks(f.s.deps.Source.Sinks(), send)
	holding := map[health.Severity]int{}
	for _, c := range f.s.deps.Conditions.List() {
		holding[c.Severity]++
		send(condition, gauge, 1, c.Code, c.Subject, string(c.Severity))
	}
	for _, sev := range []health.Severity{health.Notice, health.Warning, health.Error} {
		send(conditions, gauge, float64(holding[sev]), string(sev))
	}
	journal := f.s.deps.Source.Journal()
	send(about, gauge, 1, f.s.deps.Site, f.s.deps.Version, journal.Incarnation)
	collectJournal(journal, send)
	_, recording := f.s.conditions()
	send(ready, gauge, truth(recording))
	collectFitness(f.s.deps.Fitness, time.Now(), send)
	collectClock(f.s.deps.Source.TimeFacts(), send)
	if c := f.s.certificate(); c != nil {
		send(certificateUntil, prometheus.GaugeValue, float64(c.Until.Unix()))
	}
	if f.s.deps.Configuration != nil {
		f.s.deps.Configuration().collect(send)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
