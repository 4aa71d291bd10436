package intake

import (
	"fmt"
	"regexp"
	"time"

	"weighpost/parsers/strict"
)

// What is done about something unusual with a sample.
const (
	accepts = "accept"
	asks    = "ask"
	refuses = "refuse"
)

// SamplesConfig says which samples a balance takes. A sample that is asked about or refused is not held, and the one before it is
// not held any more either.
type SamplesConfig struct {
	Pattern   string          `yaml:"pattern" desc:"What ids of samples look like: a regular expression in the form RE2 that has to fit the whole id, at most 200 characters. Any other id is refused. Left out: any."`
	Unknown   string          `yaml:"unknown" desc:"A sample that was not announced." enum:"accept,ask,refuse" default:"accept"`
	Again     string          `yaml:"again" desc:"A sample that was weighed at this balance before, within again_within." enum:"accept,ask,refuse" default:"accept"`
	Within    strict.Duration `yaml:"again_within" desc:"How long ago counts for again; 1s to 744h." default:"24h"`
	Elsewhere string          `yaml:"elsewhere" desc:"A sample that is held at another balance now." enum:"accept,ask,refuse" default:"ask"`
	Expired   string          `yaml:"expired" desc:"A sample whose announcement, or whose label, says that it is not to be weighed any more." enum:"accept,ask,refuse" default:"ask"`
}

const (
	mostPattern  = 200
	againDefault = strict.Duration(24 * time.Hour)
)

// Check adds what is wrong with it.
func (c *SamplesConfig) Check(r *strict.Report) {
	if len(c.Pattern) > mostPattern {
		r.At("pattern").Fault(fmt.Sprintf("has %d characters", len(c.Pattern)), fmt.Sprintf("at most %d", mostPattern))
	} else if _, err := c.pattern(); err != nil {
		r.At("pattern").Fault(fmt.Sprintf("is no regular expression: %v", err), `such as LOT-[0-9]{4}, without ^ and $`)
	}
	for _, one := range []struct{ key, value string }{{"unknown", c.Unknown}, {"again", c.Again}, {"elsewhere", c.Elsewhere}, {"expired", c.Expired}} {
		if one.value != "" && one.value != accepts && one.value != asks && one.value != refuses {
			r.At(one.key).Fault(fmt.Sprintf("%q is nothing that can be done", one.value), "accept, ask or refuse")
		}
	}
	checkLength(r, "again_within", c.Within)
}

// pattern is what an id has to fit, nil for any. RE2 takes time in proportion to the id, which has 128 characters at most.
func (c *SamplesConfig) pattern() (*regexp.Regexp, error) {
	if c.Pattern == "" {
		return nil, nil
	}
	return regexp.Compile(`\A(?:` + c.Pattern + `)\z`)
}

// samplePolicy is what the configuration says, with what it leaves out filled in.
type samplePolicy struct {
	SamplesConfig
	fits *regexp.Regexp // nil: any
}

func policyOf(c *SamplesConfig) samplePolicy {
	p := samplePolicy{SamplesConfig: SamplesConfig{Elsewhere: asks, Expired: asks}}
	if c != nil {
		p.SamplesConfig = *c
		p.fits, _ = c.pattern() // Check was there before
	}
	for _, one := range []struct {
		what    *string
		without string
	}{{&p.Unknown, accepts}, {&p.Again, accepts}, {&p.Elsewhere, asks}, {&p.Expired, asks}} {
		if *one.what == "" {
			*one.what = one.without
		}
	}
	if p.Within == 0 {
		p.Within = againDefault
	}
	return p
}
