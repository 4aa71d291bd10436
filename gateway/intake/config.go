package intake

import (
	"fmt"
	"slices"
	"unicode"

	"weighpost/gateway/port"
	"weighpost/gateway/port/tap"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Config is one balance: what it is, where its bytes come from, how they read, and what of them is recorded.
type Config struct {
	ID                   string         `yaml:"id" desc:"The balance's name in ids, topics and file names: a to z, 0 to 9 and -; never given to another balance later."`
	Serial               string         `yaml:"serial" desc:"Serial number on the balance's plate."`
	Place                string         `yaml:"place" desc:"Where the balance stands."`
	Capacity             Quantity       `yaml:"capacity" desc:"The largest load, with unit: 220 g."`
	Readability          Quantity       `yaml:"readability" desc:"The readability d, with unit: 0.0001 g. The rule settled needs it."`
	VerificationInterval Quantity       `yaml:"verification_interval" desc:"The verification interval e, with unit, if the balance is verified: 0.001 g."`
	AccuracyClass        string         `yaml:"accuracy_class" desc:"The accuracy class, if the balance is verified (OIML R 76-1): it says, with e, how far it may err." enum:"I,II,III,IIII"`
	PrintsAs             string         `yaml:"prints_as" desc:"What the balance prints as its own name, where the layout has the field balance; left out: the serial number."`
	IdentityNeeded       bool           `yaml:"identity_needed" desc:"Whether a weighing needs it confirmed which balance is connected, after its port was lost: by its label scanned, by somebody who read its plate, or by the name that it prints. Without, the weighing carries a verdict that says so." default:"false"`
	Port                 port.Config    `yaml:"port" desc:"Where the balance's bytes come from."`
	Layout               string         `yaml:"layout" desc:"The file that describes how the balance prints, relative to this file."`
	Context              ContextConfig  `yaml:"context" desc:"How long person, sample and the rest hold where whoever sets them does not say, and what a weighing needs."`
	Samples              *SamplesConfig `yaml:"samples" desc:"Which samples this balance takes, in place of what samples at the top says."`
	Scanner              *ScannerConfig `yaml:"scanner" desc:"What scans mean that come for this balance: of a scanner on a port of its own, and of the page and programs."`
	Implausible          string         `yaml:"implausible" desc:"What becomes of a weight beyond the capacity (by more than 9 e, or a twentieth where e is not given) or that is no multiple of the readability. refuse: it is kept as unread and is no weighing. keep: it is recorded, with a verdict." enum:"refuse,keep" default:"refuse"`
	Record               Rule           `yaml:"record" desc:"What is recorded: printed (each frame the balance sends on its print key), settled, every with a period, or all." default:"printed"`

	EmptyPan *EmptyPan `yaml:"empty_pan" desc:"What it means at the bench that the balance prints while nothing is on its pan, after the sample that it is tied to was weighed at least once. The print is recorded all the same, with a verdict that says what it meant. Left out: nothing beside its weight."`

	CommonSamples *SamplesConfig `yaml:"-"` // what holds where Samples is nil: the file says it once for all balances

	Ask      *AskConfig         `yaml:"ask" desc:"How the balance is asked for its weight, where it speaks only when asked. Left out: nothing is sent to it."`
	Tap      *tap.Config        `yaml:"tap" desc:"Where a program that has always talked to this balance goes on doing so, while weighpost reads along."`
	Commands map[string]Command `yaml:"commands" desc:"What else can be sent to the balance on request, by name: tare, zero and the like, as its manual has them."`
}

// Check adds every fault that it sees to r, which stands at this balance.
func (c *Config) Check(r *strict.Report) {
	if err := record.CheckName(c.ID); err != nil {
		r.At("id").Fault(err.Error(), "a to z, 0 to 9 and -, at most 63 characters, such as b-12")
	}
	for _, text := range []struct{ key, value string }{{"serial", c.Serial}, {"place", c.Place}, {"prints_as", c.PrintsAs}} {
		if len(text.value) > 200 {
			r.At(text.key).Fault(fmt.Sprintf("has %d bytes", len(text.value)), "at most 200")
		}
		for _, letter := range text.value {
			if unicode.IsControl(letter) || letter == unicode.ReplacementChar {
				r.At(text.key).Fault("holds a character that cannot be printed", "plain text on one line")
				break
			}
		}
	}
	if c.AccuracyClass != "" && !slices.Contains([]string{"I", "II", "III", "IIII"}, c.AccuracyClass) {
		r.At("accuracy_class").Fault(fmt.Sprintf("%.20q is no accuracy class", c.AccuracyClass), "I, II, III or IIII")
	}
	if c.AccuracyClass != "" && c.VerificationInterval.IsZero() {
		r.At("accuracy_class").Fault("stands without a verification interval", "verification_interval beside it")
	}
	if c.Layout == "" {
		r.At("layout").Fault("is missing: without it no line of the balance can be read", "the path of a layout file")
	}
	d := c.Readability
	if !d.IsZero() && !c.Capacity.IsZero() && !d.less(c.Capacity) {
		r.At("capacity").Fault(fmt.Sprintf("%s is not above the readability %s", c.Capacity, d), "the largest load that the balance weighs")
	}
	if e := c.VerificationInterval; !d.IsZero() && !e.IsZero() && e.less(d) {
		r.At("verification_interval").Fault(fmt.Sprintf("%s is below the readability %s", e, d), "e is never smaller than d")
	}
	c.Port.Check(r.At("port"))
	c.Context.check(r.At("context"))
	if c.Samples != nil {
		c.Samples.Check(r.At("samples"))
	}
	if c.Scanner != nil {
		c.Scanner.check(r.At("scanner"))
	}
	if c.Ask != nil {
		c.Ask.check(r.At("ask"), c.Record)
	}
	if c.EmptyPan != nil {
		c.EmptyPan.check(r.At("empty_pan"), c)
	}
	checkCommands(r.At("commands"), c.Commands)
	if key := c.sends(); key != "" && c.Port.ListenOnly {
		r.At(key).Fault("is something to send, and the port is set to listen_only", "the one or the other")
	}
	if c.Tap != nil {
		c.Tap.Check(r.At("tap"))
		if c.Port.ListenOnly {
			r.At("tap").Note("the balance's port is set to listen_only: the program hears the balance, and nothing of what it sends is passed on")
		}
	}
	c.Record.check(r.At("record"), d)
}

// sends names the key under which something is to be sent to the balance, or "".
func (c *Config) sends() string {
	switch {
	case c.Ask != nil:
		return "ask"
	case len(c.Commands) > 0:
		return "commands"
	}
	return ""
}

// ScannerName is what conditions call the balance's scanner.
func (c *Config) ScannerName() string { return c.ID + "-scanner" }

// Describe writes the balance as records name it. Identity is confirmed, unconfirmed, or "" outside a reading.
func (c *Config) Describe(identity string) record.Balance {
	return record.Balance{
		ID: c.ID, Serial: c.Serial, Place: c.Place, Capacity: c.Capacity.String(), Readability: c.Readability.String(),
		VerificationInterval: c.VerificationInterval.String(), Identity: identity,
	}
}
