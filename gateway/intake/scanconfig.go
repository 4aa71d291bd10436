package intake

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/gs1"
	"weighpost/parsers/strict"
)

// How a scan ends.
const (
	endsLine = "line"
	endsTab  = "tab"
)

// ScannerConfig is a scanner on a serial port of its own, beside a balance.
type ScannerConfig struct {
	Port      port.Config `yaml:"port" desc:"Where the scanner's bytes come from: a port of its own, for one balance. Left out: there is no such scanner, and the rules are for what pages and programs send."`
	Ends      string      `yaml:"ends" desc:"What the scanner sends after each code: line (CR, LF or both) or tab." enum:"line,tab" default:"line"`
	Symbology bool        `yaml:"symbology" desc:"Whether the scanner sends the three characters that name the kind of code (ISO/IEC 15424: ]C0) before each; a scan without them is then refused." default:"false"`
	Rules     []ScanRule  `yaml:"rules" desc:"What a scan means, by how it begins. The longest prefix that fits counts; a scan that fits none is refused."`
}

// ScanRule says what a scan means that begins with a prefix.
type ScanRule struct {
	Prefix     string            `yaml:"prefix" desc:"How the scan begins. Left out: whatever fits no other rule."`
	Item       string            `yaml:"item" desc:"What the scan sets: person, sample, method, run, lot, or the name of a free field."`
	Strip      bool              `yaml:"strip" desc:"Whether the prefix is no part of the id." default:"false"`
	SignOut    bool              `yaml:"sign_out" desc:"Whether the scan ends everything that is held; in place of item." default:"false"`
	Balance    bool              `yaml:"balance" desc:"Whether the scan is the label of the balance itself, its id, serial number or printed name: it confirms which balance is connected after its cable was pulled; in place of item." default:"false"`
	Badge      bool              `yaml:"badge" desc:"Whether the scan is somebody's badge, which signs them in at this balance; beside item: person." default:"false"`
	GS1        map[string]string `yaml:"gs1" desc:"What the application identifiers of a GS1 code mean, in place of item: person, sample, method, run, lot, the name of a free field, balance (the label of the balance itself), or expires (the day after which the sample is not to be weighed). What is not listed says nothing."`
	Separators bool              `yaml:"separators" desc:"Whether the scanner is known to send the character 0x1D where a GS1 code has a separator. Without, a code that could be read in two ways if it did not is refused." default:"false"`
	For        strict.Duration   `yaml:"for" desc:"How long it holds, where that is not what context says; 1s to 744h."`
	Uses       int               `yaml:"uses" desc:"For how many weighings it holds, where that is not what context says; 1 to 1000000, or -1."`
}

func (c *ScannerConfig) check(r *strict.Report) {
	if c.HasPort() || r.At("port").Written() {
		c.Port.Check(r.At("port"))
	}
	if len(c.Rules) == 0 {
		r.At("rules").Fault("is missing: without rules every scan would be refused", `a list such as {prefix: "P-", item: person}`)
	}
	seen, elements := map[string]int{}, -1
	for i, rule := range c.Rules {
		at := r.At("rules").Index(i)
		if rule.GS1 != nil {
			if elements >= 0 {
				at.At("gs1").Fault(fmt.Sprintf("rules[%d] says already what GS1 codes mean", elements), "one list for all of them")
			}
			elements = i
			rule.checkGS1(at)
			continue
		}
		if first, taken := seen[rule.Prefix]; taken {
			at.Fault(fmt.Sprintf("the prefix %q is that of rules[%d] already", rule.Prefix, first), "each prefix once")
		}
		seen[rule.Prefix] = i
		if _, _, ours := record.CardOf(rule.Prefix); ours {
			at.At("prefix").Fault("is what weighpost's own cards begin with, which mean the same at every balance", "another prefix")
		}
		rule.check(at)
	}
	if rest, any := seen[""]; any && elements >= 0 && !c.Symbology {
		r.At("rules").Index(rest).Fault("takes whatever fits no other rule, and so do GS1 codes where the scanner does not say what kind a code is",
			"symbology: true, or a prefix")
	}
}

// HasPort says whether there is a scanner on a port of its own.
func (c *ScannerConfig) HasPort() bool { return c != nil && c.Port.Address != "" }

// What an application identifier can mean beside an item.
const (
	gs1Balance = "balance"
	gs1Expires = "expires"
)

// checkGS1 adds what is wrong with a rule for GS1 codes.
func (rule *ScanRule) checkGS1(at *strict.Report) {
	if rule.Prefix != "" || rule.Item != "" || rule.Strip || rule.SignOut || rule.Balance || rule.Badge || rule.For != 0 || rule.Uses != 0 {
		at.At("gs1").Fault("stands beside what only a rule for other codes has", "gs1, and separators where the scanner sends them")
	}
	if len(rule.GS1) == 0 {
		at.At("gs1").Fault("is empty", `such as {"10": lot, "21": sample}`)
	}
	taken := map[string]string{}
	for _, ai := range slices.Sorted(maps.Keys(rule.GS1)) {
		item := rule.GS1[ai]
		if !gs1.Known(ai) {
			at.At("gs1").Fault(fmt.Sprintf("%q is no application identifier that is known", ai), `two to four digits in quotes, such as "10"`)
		}
		if before, twice := taken[item]; twice {
			at.At("gs1").Fault(fmt.Sprintf("%s and %s both mean %s", before, ai, item), "one application identifier for each")
		}
		taken[item] = ai
		if item == gs1Balance || item == gs1Expires || slices.Contains(fixedItems, item) {
			continue
		}
		if err := record.CheckFieldName(item); err != nil {
			at.At("gs1").At(ai).Fault(err.Error(), "person, sample, method, run, lot, balance, expires, or a name such as box")
		}
	}
	if _, sample := taken[record.ItemSample]; taken[gs1Expires] != "" && !sample {
		at.At("gs1").Fault("says when a sample expires and not which it is", `"21": sample, or another`)
	}
}

func (rule *ScanRule) check(at *strict.Report) {
	if seen := strings.Trim(rule.Prefix, " "); seen != "" {
		if err := record.CheckContextID(seen); err != nil {
			at.At("prefix").Fault(err.Error(), "characters that can be seen, such as P-")
		}
	}
	fixed := slices.Contains(fixedItems, rule.Item)
	if rule.Badge && rule.Item != record.ItemPerson {
		at.At("badge").Fault("says that somebody's badge is scanned, and item is not person", "item: person beside it")
	}
	if rule.Badge && (rule.For != 0 || rule.Uses != 0) {
		at.At("badge").Fault("stands beside for or uses: how long somebody stays signed in is the same for every badge", "for under context, person")
	}
	if rule.Separators {
		at.At("separators").Fault("is about GS1 codes, and there is no gs1 beside it", "leave it out")
	}
	switch {
	case rule.Balance && (rule.Item != "" || rule.SignOut || rule.For != 0 || rule.Uses != 0):
		at.At("balance").Fault("stands beside what only an item or a sign-out has", "balance with a prefix, and strip where the label has it")
	case rule.Balance:
	case rule.SignOut && (rule.Item != "" || rule.Strip || rule.For != 0 || rule.Uses != 0):
		at.At("sign_out").Fault("stands beside what only an item has", "sign_out with a prefix and nothing else")
	case rule.SignOut && rule.Prefix == "":
		at.At("sign_out").Fault("would be any scan that fits no other rule", "a prefix")
	case !rule.SignOut && rule.Item == "":
		at.Fault("does not say what the scan sets", "item: person, sample, method, run, lot or the name of a field, or sign_out: true")
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
// configuration names. symbology is the identifier of the kind of code where it is known apart from the text. what is the balance that
// the scan names, or somebody's badge, where that is what it is.
func (c *ScannerConfig) request(symbology, text string, typed bool, r *record.ContextRequest) (what meaning, why string) {
	if c.Symbology && symbology == "" && !typed {
		if symbology, text = gs1.Symbology(text); symbology == "" {
			return what, "It does not begin with the three characters that name the kind of code: set the scanner to send them, or leave symbology out."
		}
	}
	rule := c.ruleFor(symbology, text, typed)
	switch {
	case rule == nil:
		return what, "No rule says what a scan that begins so means: add one to the scanner's rules, or scan the right label."
	case rule.GS1 != nil:
		return rule.elements(text, typed, r)
	case rule.SignOut:
		r.SignOut = true
		return what, ""
	case rule.Strip:
		text = text[len(rule.Prefix):]
	}
	what.person = rule.Badge
	if text == "" {
		return what, "Nothing follows its prefix."
	}
	switch {
	case rule.Balance:
		return meaning{label: text}, ""
	case rule.Badge:
		if err := record.CheckContextID(text); err != nil {
			return what, fmt.Sprintf("The code of the badge %v.", err)
		}
		return meaning{badge: text, person: true}, ""
	}
	set(r, rule.Item, &record.ContextItem{ID: text, For: time.Duration(rule.For), Uses: rule.Uses})
	return what, ""
}

// ruleFor finds the rule for a code: the one for GS1 codes where its symbology says that it is one, or where that is not known and no
// prefix fits; else the one with the longest prefix that fits.
func (c *ScannerConfig) ruleFor(symbology, text string, typed bool) (rule *ScanRule) {
	var elements *ScanRule
	for i := range c.Rules {
		switch one := &c.Rules[i]; {
		case one.GS1 != nil:
			elements = one
		case strings.HasPrefix(text, one.Prefix) && (rule == nil || len(one.Prefix) > len(rule.Prefix)):
			rule = one
		}
	}
	switch {
	case elements == nil:
		return rule
	case gs1.Carries(symbology):
		return elements
	case symbology == "" && (rule == nil || typed && rule.Prefix == "" && strings.HasPrefix(text, "(")):
		return elements
	}
	return rule
}
