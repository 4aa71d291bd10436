package review

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// Config says by which rules of the lab runs are reviewed.
type Config struct {
	Reasons    []string `yaml:"reasons" desc:"Out of which whoever corrects a run picks why; a comment in their own words comes beside it." default:"[balance disturbed, wrong sample, wrong container, spilt, weighed twice, other]"`
	SignSubmit bool     `yaml:"sign_submit" desc:"Whether whoever performed a run signs it when it goes to be reviewed." default:"false"`
	Together   bool     `yaml:"together" desc:"Whether several runs without any flag can be approved at once. Each is still an act and a signature of its own." default:"false"`
}

// longestReason is how many bytes a reason of the list may have.
const longestReason = 100

// Default is a Config with what applies where the file says nothing.
func Default() Config {
	return Config{Reasons: []string{"balance disturbed", "wrong sample", "wrong container", "spilt", "weighed twice", "other"}}
}

// Check fills in what is left out, and adds what is wrong with it.
func (c *Config) Check(r *strict.Report) {
	if len(c.Reasons) == 0 {
		c.Reasons = Default().Reasons
	}
	for i, reason := range c.Reasons {
		at := r.At("reasons").Index(i)
		switch {
		case strings.TrimSpace(reason) == "" || len(reason) > longestReason:
			at.Fault(fmt.Sprintf("%.40q says not why a run is corrected", reason), fmt.Sprintf("a few words, of at most %d bytes", longestReason))
		case slices.Contains(c.Reasons[:i], reason):
			at.Fault(fmt.Sprintf("the reason %.40q is there twice", reason), "each reason once")
		}
	}
}
