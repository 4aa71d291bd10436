package clock

import (
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// BenchmarkStamp is the hot path of each line. At 2,560 lines a second most stamps share a reading of the raw clock; "alone"
// is the price of a line after a pause, which reads it anew.
func BenchmarkStamp(b *testing.B) {
	c, err := New(Config{Servers: []string{"a.example", "b.example", "c.example"}}, Deps{Recorder: &pages{}, Health: health.New(time.Now)})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("unchecked", func(b *testing.B) {
		b.ReportAllocs()
		now := time.Now()
		for b.Loop() {
			c.Stamp(now)
		}
	})
	c.judge(c.ticker.read(), []answer{told("a.example", c), told("b.example", c), told("c.example", c)})
	if s := c.Stamp(time.Now()); s.Clock != record.ClockChecked {
		b.Fatalf("%+v", s)
	}
	b.Run("checked", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			c.Stamp(time.Now())
		}
	})
	b.Run("alone", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			c.recent.Store(nil)
			c.Stamp(time.Now())
		}
	})
}

// told is a true answer of a server.
func told(server string, c *Clock) answer {
	r := c.ticker.read()
	return answer{server: server, sample: sample{
		offset: time.Duration(r.Wall.UnixNano()) - r.Raw, delay: time.Millisecond, at: r.Raw, asleep: r.Asleep,
	}}
}
