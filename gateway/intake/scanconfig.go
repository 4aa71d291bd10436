package intake

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/strict"
)

// How a scan ends.
const (
	endsLine = "line"
	endsTab  = "tab"
)

// ScannerConfig is a scanner on a serial port of its own, beside a balance.
type ScannerConfig struct {
	Port      port.Config `yaml:"port" desc:"Where the scanner's bytes come from: a port of its own, for one balance."`
	Ends      string      `yaml:"ends" desc:"What the scanner sends after each code: line (CR, LF or both) or tab." enum:"line,tab" default:"line"`
	Symbology bool        `yaml:"symbology" desc:"Whether the scanner sends the three characters that name the kind of code (ISO/IEC 15424: ]C0) before each; a scan without them is then refused." default:"false"`
	Rules     []ScanRule  `yaml:"rules" desc:"What a scan means, by how it begins. The longest prefix that fits counts; a scan that fits none is refused."`
}

// ScanRule says what a scan means that begins with a prefix.
type ScanRule struct {
	Prefix  string          `yaml:"prefix" desc:"How the scan begins. Left out: whatever fits no other rule."`
	Item    string          `yaml:"item" desc:"What the scan sets: person, sample, method, run, lot, or the name of a free field."`
	Strip   bool            `yaml:"strip" desc:"Whether the prefix is no part of the id." default:"false"`
	SignOut bool            `yaml:"sign_out" desc:"Whether the scan ends everything that is held; in place of item." default:"false"`
	Balance bool            `yaml:"balance" desc:"Whether the scan is the label of the balance itself, its id, serial number or printed name: it confirms which balance is connected after its cable was pulled; in place of item." default:"false"`
	For     strict.Duration `yaml:"for" desc:"How long it holds, where that is not what context says; 1s to 744h."`
	Uses    int             `yaml:"uses" desc:"For how many weighings it holds, where that is not what context says; 1 to 1000000, or -1."`
}

func (c *ScannerConfig) check(r *strict.Report) {
	c.Port.Check(r.At("port"))
	if len(c.Rules) == 0 {
		r.At("rules").Fault("is missing: without rules every scan would be refused", `a list such as {prefix: "P-", item: person}`)
	}
	seen := map[string]int{}
	for i, rule := range c.Rules {
		at := r.At("rules").Index(i)
		if first, taken := seen[rule.Prefix]; taken {
			at.Fault(fmt.Sprintf("the prefix %q is that of rules[%d] already", rule.Prefix, first), "each prefix once")
		}
		seen[rule.Prefix] = i
		rule.check(at)
	}
}

func (rule *ScanRule) check(at *strict.Report) {
	if seen := strings.Trim(rule.Prefix, " "); seen != "" {
		if err := record.CheckContextID(seen); err != nil {
			at.At("prefix").Fault(err.Error(), "characters that can be seen, such as P-")
		}
	}
	fixed := slices.Contains(fixedItems, rule.Item)
	switch {
	case rule.Balance && (rule.Item != "" || rule.SignOut || rule.For != 0 || rule.Uses != 0):
		at.At("balance").Fault("stands beside what only an item or a sign-out has", "balance with a prefix, and strip where the label has it")
	case rule.Balance:
	case rule.SignOut && (rule.Item != "" || rule.Strip || rule.For != 0 || rule.Uses != 0):
		at.At("sign_out").Fault("stands beside what only an item has", "sign_out with a prefix and nothing else")
	case rule.SignOut && rule.Prefix == "":
		at.At("sign_out").Fault("would be any scan that fits no other rule", "a prefix")
	case !rule.SignOut && rule.Item == "":
		at.Fault("says not what the scan sets", "item: person, sample, method, run, lot or the name of a field, or sign_out: true")
	case !rule.SignOut && !fixed:
		if err := record.CheckFieldName(rule.Item); err != nil {
			at.At("item").Fault(err.Error(), "person, sample, method, run, lot, or a name such as box")
		}
	}
	checkLength(at, "for", rule.For)
	checkUses(at, rule.Uses)
}

// rule is how the scanner's bytes become scans.
func (c *ScannerConfig) rule() frame.Rule {
	ends := [][]byte{{'\r'}, {'\n'}, {'\r', '\n'}}
	if c.Ends == endsTab {
		ends = [][]byte{{'\t'}}
	}
	return frame.Rule{Terminators: ends, IdleGap: scanGap, MaxLength: maxScan}
}

// request fills in what a scan asks for, or says why it asks for nothing. Nothing is taken out of a scan but what the
// configuration names. label is the balance that the scan names, where that is what it does.
func (c *ScannerConfig) request(text string, r *record.ContextRequest) (label, why string) {
	if c.Symbology {
		if len(text) < 3 || text[0] != ']' {
			return "", "It does not begin with the three characters that name the kind of code: set the scanner to send them, or leave symbology out."
		}
		text = text[3:]
	}
	var rule *ScanRule
	for i := range c.Rules {
		if one := &c.Rules[i]; strings.HasPrefix(text, one.Prefix) && (rule == nil || len(one.Prefix) > len(rule.Prefix)) {
			rule = one
		}
	}
	switch {
	case rule == nil:
		return "", "No rule says what a scan that begins so means: add one to the scanner's rules, or scan the right label."
	case rule.SignOut:
		r.SignOut = true
		return "", ""
	case rule.Strip:
		text = text[len(rule.Prefix):]
	}
	if text == "" {
		return "", "Nothing follows its prefix."
	}
	if rule.Balance {
		return text, ""
	}
	item := &record.ContextItem{ID: text, For: time.Duration(rule.For), Uses: rule.Uses}
	if place := r.Item(rule.Item); place != nil {
		*place = item
	} else {
		r.Fields = map[string]*record.ContextItem{rule.Item: item}
	}
	return "", ""
}
