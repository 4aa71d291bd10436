package console

import "github.com/prometheus/client_golang/prometheus"

var (
	diskFree       = describe("journal_disk_free_bytes", "Bytes that are free on the disk of the journal.")
	diskLasts      = describe("journal_disk_lasts_seconds", "How long until the disk of the journal is full at the rate of the last days, in whole days; absent where that cannot be said.")
	verified       = describe("journal_verified_entries", "Entries up to which the last whole pass verified the journal since the start.")
	verifiedAt     = describe("journal_verified_timestamp_seconds", "When that pass ended, in Unix time; absent before the first.")
	checkpointSize = describe("checkpoint_entries", "Entries that the newest checkpoint covers that the sink has taken.", "sink")
	checkpointTime = describe("checkpoint_timestamp_seconds", "When the sink took it, in seconds since 1970.", "sink")
	journalSize    = describe("journal_size_bytes", "Bytes that the journal takes up.")
)

// collectJournal gives the numbers of the journal.
func collectJournal(j Journal, send func(d *prometheus.Desc, t prometheus.ValueType, v float64, labels ...string)) {
	send(journalHead, prometheus.GaugeValue, float64(j.Head))
	for _, a := range j.Checkpoints {
		send(checkpointSize, prometheus.GaugeValue, float64(a.Size), a.Sink)
		send(checkpointTime, prometheus.GaugeValue, float64(a.At.Time().UnixMicro())/1e6, a.Sink)
	}
	if v := j.Verified; v != nil && v.At != nil {
		send(verified, prometheus.GaugeValue, float64(v.Entries))
		send(verifiedAt, prometheus.GaugeValue, float64(v.At.Time().Unix()))
	}
	if j.Space == nil {
		return
	}
	send(diskFree, prometheus.GaugeValue, float64(j.Space.Free))
	send(journalSize, prometheus.GaugeValue, float64(j.Space.Journal))
	if j.Space.Days != nil {
		send(diskLasts, prometheus.GaugeValue, float64(*j.Space.Days)*86400)
	}
}
