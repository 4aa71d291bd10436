package gateway

import (
	"errors"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/rights"
)

// TestWhatRolesMeanTakesTheRightPeople beside settings: whoever has settings alone could give their own role every right.
func TestWhatRolesMeanTakesTheRightPeople(t *testing.T) {
	held := &config.Config{}
	for _, c := range []struct {
		has     rights.Set
		section string
		good    bool
	}{
		{rights.Of(rights.Settings), "people", false}, {rights.Of(rights.People), "people", false}, {rights.Of(rights.Settings, rights.People), "people", true},
		{rights.Of(rights.Settings), "clock", true}, {rights.Of(rights.Settings), "balances", false}, {rights.Of(rights.Balances), "balances", true},
		{rights.Of(rights.Settings), "sinks", false}, {rights.Of(rights.Sinks), "sinks", true}, {rights.Of(rights.Sinks), "settings", false},
	} {
		err := mayChange(rights.Who{Known: true, Rights: c.has}, held, held, []string{c.section})
		var denied *rights.Denied
		if (err == nil) != c.good || err != nil && !errors.As(err, &denied) {
			t.Errorf("%v changes %s: %v", c.has.List(), c.section, err)
		}
	}
}
