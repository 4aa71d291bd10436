package runs

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Who adopts a version of a procedure.
const (
	SecondPerson = "second-person" // somebody else than whoever wrote it
	OnePerson    = "one-person"    // whoever has the right to, the writer too
)

// What the lab declares to be the original of a weight that was typed in from its slip.
const (
	Slip             = "slip"
	ElectronicRecord = "electronic-record"
)

// Config says by which rules of the lab procedures are adopted, slips typed in and readings of the air offered.
type Config struct {
	Adoption string          `yaml:"adoption" desc:"Who adopts a version of a procedure before runs begin with it. second-person: somebody else than whoever wrote it; one-person: whoever has the right to, the writer too." enum:"second-person,one-person" default:"second-person"`
	Original string          `yaml:"original" desc:"What the lab declares to be the original of a weight that was typed in from its slip, since weighpost had not read it. slip: the paper, which is kept by the lab's rules; electronic-record: the entry, once a second person has confirmed it." enum:"slip,electronic-record" default:"slip"`
	Air      strict.Duration `yaml:"environment_within" desc:"How old what an instrument has sent of the air at a balance may be to be offered to a step that asks for it, 10s to 1h. What is older is typed." default:"10m"`
}

const defaultAir = strict.Duration(10 * time.Minute)

// Default is a Config with what applies where the file says nothing.
func Default() Config { return Config{Adoption: SecondPerson, Original: Slip, Air: defaultAir} }

// Check fills in what is left out, and adds what is wrong with it.
func (c *Config) Check(r *strict.Report) {
	c.Adoption, c.Original = cmp.Or(c.Adoption, SecondPerson), cmp.Or(c.Original, Slip)
	c.Air = cmp.Or(c.Air, defaultAir)
	r.At("environment_within").Within(c.Air, 10*time.Second, time.Hour)
	if !slices.Contains([]string{SecondPerson, OnePerson}, c.Adoption) {
		r.At("adoption").Fault(fmt.Sprintf("%.40q says not who adopts a version of a procedure", c.Adoption), "second-person or one-person")
	}
	if !slices.Contains([]string{Slip, ElectronicRecord}, c.Original) {
		r.At("original").Fault(fmt.Sprintf("%.40q is nothing that could be the original", c.Original), "slip or electronic-record")
	}
}

// Origin is what records say of the original of a weight that is typed in now.
func (c Config) Origin() string {
	if c.Original == ElectronicRecord {
		return record.OriginalElectronic
	}
	return record.OriginalSlip
}
