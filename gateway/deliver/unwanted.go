package deliver

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Unwanted says in a sentence why a sink of this configuration never gets an entry by itself, or "". One that it only holds back
// is wanted.
func (c *Config) Unwanted(e record.Entry) string {
	switch {
	case !slices.Contains(c.Wants(), e.Kind):
		return fmt.Sprintf("It is configured not to get entries of the kind %s.", e.Kind)
	case e.Kind == record.KindReportIssued && !c.getsReport(e.JSON):
		return "Whoever issued the report did not name it among the destinations that get it."
	case e.Balance != "" && len(c.Balances) > 0 && !slices.Contains(c.Balances, e.Balance):
		return fmt.Sprintf("It is configured to get only what is of balance %s.", strings.Join(c.Balances, ", "))
	case e.Kind.Numbered() && c.Verdicts != AnyVerdict && !c.verdictFits(e.JSON):
		return fmt.Sprintf("It is configured to get only weighings that are, by what rules said of them: %s.", c.Verdicts)
	}
	return ""
}

// Holds says whether a sink holds an entry back until somebody releases it: by its configuration, or since the balance was out of
// service.
func (c *Config) Holds(e record.Entry) bool {
	return e.Kind.Numbered() && (c.Hold == Released || HeldAsUnfit(e)) && c.Unwanted(e) == ""
}
