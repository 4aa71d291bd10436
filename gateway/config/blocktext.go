package config

import (
	"regexp"
	"strconv"
	"strings"

	"weighpost/gateway/intake"
	"weighpost/parsers/strict"
)

// keyValue is a key of a block with its value: a text as it stands in the file, or pairs of its own.
type keyValue struct {
	key   string
	value string
	below []keyValue
}

// BalanceBlock writes a balance as it stands in the list `balances:` of a configuration, with a line end after each line.
// What the balance leaves out is left out: of its settings those for which a person is asked are written (the plate, the
// port, what it is asked and how often, the layout, and a capture rule that is one word), and no other.
func BalanceBlock(b intake.Config) string {
	return strings.Join(blockLines(b, 0), "\n") + "\n"
}

// balancePairs are the keys of a balance, in the order of the commented configuration.
func balancePairs(b intake.Config, quote func(string) string) []keyValue {
	var list []keyValue
	add := func(to *[]keyValue, key, value string) {
		if value != "" {
			*to = append(*to, keyValue{key: key, value: value})
		}
	}
	text := func(s string) string {
		if s == "" {
			return ""
		}
		return quote(s)
	}
	number := func(n int) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(n)
	}
	add(&list, "id", text(b.ID))
	add(&list, "serial", text(b.Serial))
	add(&list, "place", text(b.Place))
	add(&list, "capacity", text(b.Capacity.String()))
	add(&list, "readability", text(b.Readability.String()))
	add(&list, "verification_interval", text(b.VerificationInterval.String()))
	add(&list, "prints_as", text(b.PrintsAs))
	var p []keyValue
	add(&p, "address", text(b.Port.Address))
	add(&p, "speed", number(b.Port.Speed))
	add(&p, "data_bits", number(b.Port.DataBits))
	add(&p, "parity", text(b.Port.Parity))
	add(&p, "stop_bits", number(b.Port.StopBits))
	add(&p, "flow", text(b.Port.Flow))
	add(&p, "driver", text(b.Port.Driver))
	list = append(list, keyValue{key: "port", below: p})
	if b.Ask != nil {
		ask := []keyValue{{key: "send", value: b.Ask.Send.String()}}
		if b.Ask.Every > 0 {
			add(&ask, "every", b.Ask.Every.String())
		}
		list = append(list, keyValue{key: "ask", below: ask})
	}
	add(&list, "layout", text(b.Layout))
	if b.Record.Kind != "" && b.Record.Kind != intake.Periodic {
		add(&list, "record", b.Record.Kind)
	}
	return list
}

// blockLines writes a balance in block style, its dash after so many blanks.
func blockLines(b intake.Config, indent int) (lines []string) {
	lead := strings.Repeat(" ", indent) + "- "
	for _, p := range balancePairs(b, blockText) {
		if p.below == nil {
			lines = append(lines, lead+p.key+": "+p.value)
		} else {
			lines = append(lines, lead+p.key+":")
			for _, q := range p.below {
				lines = append(lines, strings.Repeat(" ", indent+4)+q.key+": "+q.value)
			}
		}
		lead = strings.Repeat(" ", indent+2)
	}
	return lines
}

// flowItem writes a balance in flow style.
func flowItem(b intake.Config) string { return flow(balancePairs(b, flowText)) }

func flow(list []keyValue) string {
	parts := make([]string, len(list))
	for i, p := range list {
		if p.below != nil {
			p.value = flow(p.below)
		}
		parts[i] = p.key + ": " + p.value
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// bare are texts that every YAML reader takes as they are written, also within [ ] and { }.
var bare = regexp.MustCompile(`^[A-Za-z/][A-Za-z0-9_./-]*$`)

// bareBlock are more such texts, where no bracket is open: quantities, addresses, a few words.
var bareBlock = regexp.MustCompile(`^[A-Za-z0-9/]([A-Za-z0-9_./,-]|:[A-Za-z0-9/])*( [A-Za-z0-9_./,-]+)*$`)

// onlyNumber would be read as a number, a date or a time by some.
var onlyNumber = regexp.MustCompile(`^[0-9][0-9_.,:eExXoO-]*$`)

func reserved(s string) bool {
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n":
		return true
	}
	return false
}

func flowText(s string) string {
	if bare.MatchString(s) && !reserved(s) {
		return s
	}
	return strict.Quote(s)
}

func blockText(s string) string {
	if bareBlock.MatchString(s) && !onlyNumber.MatchString(s) && !reserved(s) {
		return s
	}
	return strict.Quote(s)
}
