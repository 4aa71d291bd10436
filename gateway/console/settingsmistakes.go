package console

import (
	"fmt"
	"strings"

	"weighpost/parsers/strict"
)

// faultyDocument is a problem with the place of each mistake (RFC 9457, section 3.2).
type faultyDocument struct {
	*problemDocument
	Errors []FaultyPlace `json:"errors"`
}

// FaultyPlace is one mistake and where it is.
type FaultyPlace struct {
	Location string `json:"location" doc:"Which setting or key: balances[0].port.speed, certificate.due; empty for all of it."`
	Message  string `json:"message" doc:"What is wrong, and what would be right."`
}

func faultyPlaces(faults strict.Faults) (list []FaultyPlace) {
	for _, f := range faults {
		said := f.What
		if f.Allowed != "" {
			said += "; allowed: " + f.Allowed
		}
		list = append(list, FaultyPlace{f.Path, said})
	}
	return list
}

// mistakesText says the first of many mistakes.
func mistakesText(faults strict.Faults) string {
	const most = 20
	var lines []string
	for _, f := range faults[:min(len(faults), most)] {
		f.File, f.Line = "", 0
		lines = append(lines, strings.TrimPrefix(f.Error(), ": "))
	}
	if more := len(faults) - most; more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(lines, "; ")
}
