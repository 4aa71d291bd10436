package console

import (
	"github.com/prometheus/client_golang/prometheus"

	"weighpost/gateway/record"
)

// Configuration is what the page shows of the configuration that holds.
type Configuration struct {
	Hash string `json:"hash"` // as records name it
	// Last is when the configuration was last read anew, absent where it never was since the start; Refused is why it was
	// not taken then, absent where it was.
	Last    *record.UTC `json:"last_reload,omitempty"`
	Refused string      `json:"refused,omitempty"`

	Taken    uint64 `json:"taken"`     // reloads since the start
	NotTaken uint64 `json:"not_taken"` // those that were refused
}

var (
	reloadsTotal = describe("reloads_total", "Times since the start that the configuration was read anew, by result: taken or refused.", "result")
	reloadGood   = describe("reload_last_good", "0 while the configuration that was read last was refused, otherwise 1.")
	reloadTime   = describe("reload_last_timestamp_seconds", "When the configuration was last read anew, in seconds since 1970; absent where it never was since the start.")
)

// collect gives the numbers of this moment.
func (c Configuration) collect(send func(d *prometheus.Desc, t prometheus.ValueType, v float64, labels ...string)) {
	send(reloadsTotal, prometheus.CounterValue, float64(c.Taken), "taken")
	send(reloadsTotal, prometheus.CounterValue, float64(c.NotTaken), "refused")
	send(reloadGood, prometheus.GaugeValue, truth(c.Refused == ""))
	if c.Last != nil {
		send(reloadTime, prometheus.GaugeValue, float64(c.Last.Time().UnixMilli())/1000)
	}
}
