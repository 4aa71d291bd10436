package guidedruns

import (
	"fmt"
	"strings"

	"weighpost/gateway/record"
)

// ownProcedure: Ada writes one in the cards, Rhea adopts it on its page, and Ida runs it, begun by hand. By hand: 100 g dried to 88.35 g have lost
// 11.65 g, which is 11.65 %; at most 12 % pass.
func ownProcedure(s *seat) {
	s.writes()
	s.l.ask("ada", 403, "POST", "procedures/moisture-in-one-dish/versions/1/decide", map[string]any{"change": "adopted", "reason": "my own"}, nil)
	s.is("ida")
	s.Visit("runs/new?procedure=moisture-in-one-dish")
	s.Shows("main", "No version of a procedure moisture-in-one-dish is adopted")
	s.is("rhea")
	s.Visit("procedures")
	s.shoot("procedures-waiting")
	s.Sends(`main a[href^="/procedures/moisture-in-one-dish"]`)
	s.Fill("#why-adopt", "held against the method of the house")
	s.shoot("adopt")
	s.Sends("form.decide:has(#why-adopt) button")
	s.Shows("main", "adopted", "held against the method of the house")
	s.is("ida")
	s.Visit("procedures")
	s.Sends(`a[href="/runs/new?procedure=moisture-in-one-dish"]`)
	s.Fill("#items", "rye-7")
	s.Choose("#balance", "b-print")
	s.shoot("begin")
	s.Leave("the run", func() { s.Click("#begin button[type=submit]") })
	s.begun()
	s.scans("Scan the sample", "rye-7")
	s.says("Weigh the sample as it came")
	s.l.scales["b-print"].prints("100.0000")
	s.says("Weigh what is dry")
	s.l.scales["b-print"].prints("88.3500")
	s.Shows(".outcome", "passed")
	s.Shows(".results", "11.65 %")
	s.shoot("own")
	s.ended("", record.CheckPassed, result{"loss", "rye-7", "11.65 %", record.CheckPassed})
	changed := all[record.ProcedureChanged](s.l, record.KindProcedureChanged)
	var told []string
	for _, c := range changed {
		if c.Procedure.Name == "moisture-in-one-dish" {
			told = append(told, c.Change+" by "+c.By.ID+": "+c.Reason)
		}
	}
	if got := strings.Join(told, "; "); got != "written by ada: first of its kind; adopted by rhea: held against the method of the house" {
		s.T.Errorf("the journal says %s", got)
	}
}

// writes has a procedure of four steps written in the cards.
func (s *seat) writes() {
	s.T.Helper()
	s.is("ada")
	s.Visit("procedures/new")
	whole := func(leaf, text string) { s.Fill(`#whole [data-leaf="`+leaf+`"]`, text) }
	whole("procedure", "moisture-in-one-dish")
	whole("title", "Moisture in one dish")
	for i, one := range []struct{ do, fields string }{
		{"identify", "what=sample|say=Scan the sample."},
		{"weigh", "step=moist|say=Weigh the sample as it came."},
		{"weigh", "step=dry|say=Weigh what is dry."},
		{"compute", "step=loss|label=Loss|formula=(moist - dry) / moist|round=0.01 %|limits.at_most=12 %|limits.from=the method of the house"},
	} {
		s.Choose("#add-do", one.do)
		s.Click("#add-step")
		card := fmt.Sprintf("#steps > li:nth-child(%d) ", i+1)
		s.Until(`document.querySelectorAll("#steps > li").length`, fmt.Sprint(i+1))
		s.card(card, one.fields)
	}
	s.Click(`fieldset[data-items="results"] [data-add]`)
	s.Focus(`fieldset[data-items="results"] [data-leaf=""]`)
	s.Choose(`fieldset[data-items="results"] [data-leaf=""]`, "loss")
	s.Until(`document.getElementById("judged").textContent`, "None: it can be saved.")
	s.Fill("#reason", "first of its kind")
	s.shoot("cards")
	s.Leave("the procedure", func() { s.Click("form#procedure button[type=submit]") })
	s.Shows("main", "moisture-in-one-dish", "Version 1")
	s.shoot("written")
}

// card fills the fields of one card, unfolding what they are in.
func (s *seat) card(card, fields string) {
	s.T.Helper()
	for one := range strings.SplitSeq(fields, "|") {
		leaf, text, _ := strings.Cut(one, "=")
		field := card + `[data-leaf="` + leaf + `"]`
		for _, fold := range []string{card + ".card-body", card + ".group:has([data-leaf=\"" + leaf + "\"])"} {
			if s.Says("document.querySelector("+fmt.Sprintf("%q", fold)+")?.open") == "false" {
				s.Click(fold + " > summary")
			}
		}
		if s.Says("document.querySelector("+fmt.Sprintf("%q", field)+")?.localName") == "select" {
			s.Choose(field, text)
		} else {
			s.Fill(field, text)
		}
	}
}
