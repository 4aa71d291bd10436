package session

import (
	"fmt"
	"time"

	"weighpost/parsers/strict"
)

// Config is how long sessions last. What is left out has its default.
type Config struct {
	Idle          strict.Duration `yaml:"idle" desc:"A session that is not used for this long ends: 1m to 12h." default:"30m"`
	BenchIdle     strict.Duration `yaml:"bench_idle" desc:"The same at a bench screen: 30s to 12h." default:"15m"`
	Absolute      strict.Duration `yaml:"absolute" desc:"Every session ends after this long, used or not: 10m to 24h." default:"12h"`
	BalanceCounts bool            `yaml:"balance_counts" desc:"true: while a balance is in use, whoever is signed in at it counts as present." default:"false"`
	PerPerson     int             `yaml:"per_person" desc:"So many sessions of one person at most: 1 to 100. One more ends the one that was not used for longest." default:"10"`
	All           int             `yaml:"all" desc:"So many sessions altogether: 10 to 100000." default:"10000"`
}

// Check adds every fault that it sees to r.
func (c *Config) Check(r *strict.Report) {
	for _, d := range []struct {
		key         string
		is          strict.Duration
		least, most time.Duration
		allowed     string
	}{
		{"idle", c.Idle, time.Minute, 12 * time.Hour, "1m to 12h"},
		{"bench_idle", c.BenchIdle, 30 * time.Second, 12 * time.Hour, "30s to 12h"},
		{"absolute", c.Absolute, 10 * time.Minute, 24 * time.Hour, "10m to 24h"},
	} {
		if is := d.is.D(); is != 0 && (is < d.least || is > d.most) {
			r.At(d.key).Fault(d.is.String(), d.allowed)
		}
	}
	if c.PerPerson < 0 || c.PerPerson > 100 {
		r.At("per_person").Fault(fmt.Sprintf("%d sessions", c.PerPerson), "1 to 100")
	}
	if c.All != 0 && (c.All < 10 || c.All > 100_000) {
		r.At("all").Fault(fmt.Sprintf("%d sessions", c.All), "10 to 100000")
	}
}

// limits is a Config with its defaults, in units that a table counts in.
type limits struct {
	idle, benchIdle, absolute time.Duration
	balanceCounts             bool
	perPerson, all            int
}

func (c Config) limits() limits {
	l := limits{c.Idle.D(), c.BenchIdle.D(), c.Absolute.D(), c.BalanceCounts, c.PerPerson, c.All}
	if l.idle == 0 {
		l.idle = 30 * time.Minute
	}
	if l.benchIdle == 0 {
		l.benchIdle = 15 * time.Minute
	}
	if l.absolute == 0 {
		l.absolute = 12 * time.Hour
	}
	if l.perPerson == 0 {
		l.perPerson = 10
	}
	if l.all == 0 {
		l.all = 10_000
	}
	return l
}
