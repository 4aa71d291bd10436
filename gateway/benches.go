package gateway

import (
	"weighpost/gateway/console"
	"weighpost/gateway/intake"
)

// BalanceOf gives the balance whose label a code is, or says why it is none in a sentence.
func (g *Gateway) BalanceOf(code string) (id, why string) {
	cfg := g.now.Load().cfg
	list := make([]*intake.Config, len(cfg.Balances))
	for i := range cfg.Balances {
		list[i] = &cfg.Balances[i]
	}
	return intake.BalanceOf(list, code)
}

// Beginnings are how scans begin at a balance, by the rules of its scanner.
func (g *Gateway) Beginnings(balance string) (list []console.Beginning) {
	cfg := g.now.Load().cfg
	for i := range cfg.Balances {
		b := &cfg.Balances[i]
		if b.ID != balance || b.Scanner == nil {
			continue
		}
		for _, rule := range b.Scanner.Rules {
			if rule.GS1 == nil {
				list = append(list, console.Beginning{Prefix: rule.Prefix, Badge: rule.Badge, Strip: rule.Strip})
			}
		}
	}
	return list
}
