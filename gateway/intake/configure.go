package intake

import (
	"cmp"
	"reflect"

	"weighpost/gateway/record"
)

// takeLive takes from another configuration of the same balance what can change while its port stays open.
func (c *Config) takeLive(from Config) {
	c.Serial, c.Place, c.PrintsAs = from.Serial, from.Place, from.PrintsAs
	c.Capacity, c.Readability, c.VerificationInterval = from.Capacity, from.Readability, from.VerificationInterval
	c.Layout, c.Context, c.Record, c.Implausible = from.Layout, from.Context, from.Record, from.Implausible
	c.Samples, c.CommonSamples = from.Samples, from.CommonSamples
	c.EmptyPan = from.EmptyPan
	c.IdentityNeeded = from.IdentityNeeded
	c.Ask, c.Commands, c.Tap = from.Ask, from.Commands, from.Tap // the tap is opened beside the pipeline, and anew
}

// NeedsNewLine says whether the next configuration of the same balance can hold only once its port was closed and another
// Line is read. A setting that this does not know counts as one that does.
func (c Config) NeedsNewLine(next Config) bool {
	c.takeLive(next)
	if c.Port.Same(next.Port) {
		c.Port = next.Port
	}
	return !reflect.DeepEqual(c, next)
}

// Configure has what is recorded from now on say another configuration of the same balance and another software. It takes
// effect between frames; a reading that the capture rule holds back is written by the rule that held it. Where the
// configuration NeedsNewLine, Run must have returned, and UseLines follows.
func (in *Intake) Configure(cfg Config, software record.Software) {
	in.mu.Lock()
	defer in.mu.Unlock()
	before := in.cfg
	in.cfg, in.software, in.trigger = cfg, software, cfg.Record.String()
	in.plausible, in.policy = newPlausible(&cfg), policyOf(cmp.Or(cfg.Samples, cfg.CommonSamples))
	if !reflect.DeepEqual(before.Record, cfg.Record) || before.Readability != cfg.Readability {
		now := in.now()
		in.dueAt(now)
		if held := in.capture.period.latest; held != nil {
			in.record(held, in.stamp(now))
		}
		in.capture = newCapture(cfg.Record, cfg.Readability)
		in.reckonDue()
	}
	if !reflect.DeepEqual(before.Ask, cfg.Ask) {
		in.askAnew()
	}
	if name := newIdentity(cfg).name; name != in.identity.name && in.identity.rename(name) {
		in.board.Clear(wrongBalance, in.about.ID)
	}
	in.tellIdentity()
}

// UseLines has the next Run read other lines, each from its beginning. No Run is under way. scanner is nil where the balance
// has none.
func (in *Intake) UseLines(line, scanner Line) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.useLines(line, scanner)
}

func (in *Intake) useLines(line, scanner Line) error {
	in.pulse.mu.Lock()
	in.line = line
	in.pulse.mu.Unlock()
	in.scan = nil
	if in.cfg.Scanner.HasPort() {
		var err error
		if in.scan, err = newScanner(in, in.cfg.Scanner, scanner); err != nil {
			return err
		}
	}
	if l, ok := line.(gapped); ok {
		l.SetIdleGap(in.layout.IdleGap()) // silence is part of how the balance prints
	}
	in.latency = in.cfg.Port.ReadLatency()
	in.quiet = silenceAfterOpening(in.cfg.Port)
	in.splitter, in.received, in.opening = in.layout.Splitter(), 0, opening{}
	in.arrivals = arrivals{}
	in.damage.clear()
	in.identity = newIdentity(in.cfg)
	in.tellIdentity()
	return nil
}
