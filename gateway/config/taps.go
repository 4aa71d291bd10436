package config

import (
	"cmp"
	"fmt"
	"net"

	"weighpost/gateway/console"
	"weighpost/parsers/strict"
)

// checkTaps finds a tap whose place is something else's. ports are the ports that are taken, by whom, as checkPort has them.
func (c *Config) checkTaps(r *strict.Report, ports map[string]int) {
	places := map[string]string{}
	taken := func(at *strict.Report, place, whose string) {
		if first, twice := places[place]; twice {
			at.Fault(fmt.Sprintf("is %s already", first), "a place of its own for each tap")
		}
		places[place] = whose
	}
	taken(r, number(cmp.Or(c.Page.Listen, console.DefaultListen)), "where the page listens")
	for i := range c.Balances {
		t := c.Balances[i].Tap
		if t == nil {
			continue
		}
		at, whose := r.Index(i).At("tap"), fmt.Sprintf("the tap of balance %q (balances[%d])", c.Balances[i].ID, i)
		if t.Port != nil {
			c.checkPort(at.At("port"), t.Port.Address, i, ports)
		}
		if t.Listen != "" {
			taken(at.At("listen"), number(t.Listen), whose)
		}
		if path := t.PseudoTerminal; path != "" {
			taken(at.At("pseudo_terminal"), path, whose)
			if first, port := ports[samePort(path)]; port {
				at.At("pseudo_terminal").Fault(fmt.Sprintf("is the port of balance %q (balances[%d])", c.Balances[first].ID, first),
					"a path where nothing is")
			}
		}
	}
}

// number is the port number of an address to listen at: two that listen at one number are a mistake, whatever the host.
func number(address string) string {
	_, n, err := net.SplitHostPort(address)
	if err != nil {
		return address
	}
	return ":" + n
}
