package console

import "github.com/prometheus/client_golang/prometheus"

var (
	delivered   = describe("sink_delivered_total", "Entries that the sink has accepted since the start.", "sink")
	parked      = describe("sink_parked_entries", "Entries that the sink refused and that wait for a person.", "sink")
	lag         = describe("sink_lag_entries", "Entries in the journal that the sink has not had.", "sink")
	sinkWaiting = describe("sink_waiting_entries", "Entries that the sink wants and has not had, as far as was counted.", "sink")
	behindSince = describe("sink_behind_since_timestamp_seconds", "When the oldest entry happened that the sink has not had; absent where it has had all, or that is not known.", "sink")
	working     = describe("sink_working", "1 unless the sink is stopped.", "sink")
	sinkPaused  = describe("sink_paused", "1 while somebody has paused the deliveries of the sink.", "sink")
)

// collectSinks gives the numbers of destinations.
func collectSinks(sinks []Sink, send func(*prometheus.Desc, prometheus.ValueType, float64, ...string)) {
	gauge := prometheus.GaugeValue
	for _, k := range sinks {
		send(delivered, prometheus.CounterValue, float64(k.Delivered), k.ID)
		send(parked, gauge, float64(k.Parked), k.ID)
		send(lag, gauge, float64(k.Lag), k.ID)
		send(sinkWaiting, gauge, float64(k.Waiting), k.ID)
		if k.BehindSince != nil {
			send(behindSince, gauge, float64(k.BehindSince.Time().UnixMilli())/1000, k.ID)
		}
		send(working, gauge, truth(k.State != "stopped"), k.ID)
		send(sinkPaused, gauge, truth(k.Paused != nil), k.ID)
	}
}
