package guidedruns

import (
	"strings"

	"weighpost/gateway/access/openid/optest"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// olga has her account at an OpenID provider, which is that of a library of others: there is no secret of hers here.
var olga = optest.Person{Secret: "seven sheaves, kept elsewhere", Subject: "s-0007", Login: "olga", Name: "Olga Sower", Groups: []string{"reviewers"}}

// startProvider starts Olga's provider.
func (l *lab) startProvider() {
	l.provider = optest.Start(l.t, optest.Options{Client: "weighpost", People: map[string]optest.Person{"olga": olga, "petra": {Secret: "another", Subject: "s-0008", Login: "petra", Name: "Petra Sower",
		Groups: []string{"reviewers"}}}})
}

// signedElsewhere: Olga signs at her provider, once with the scripts of the page and once without any. Nothing is signed while the provider does not
// answer, where somebody else shows there who they are, or where a link brings her there and not the page.
func signedElsewhere(s *seat) {
	last := s.l.ran[len(s.l.ran)-2:]
	for _, run := range last {
		s.submitted(run)
	}
	s.run = last[1]
	page := "runs/" + s.run + "/review"
	s.Is(nil)
	s.Visit("sign-in?to=/" + page)
	s.shows("olga", `a[href^="/api/v1/session/openid"]`, page)
	s.Shows(".statement", s.run, "Signed by: Olga Sower")
	s.Shows(".signing", "You sign at openid")
	s.Lacks("#act-approve input[type=password]")
	s.shoot("sign-elsewhere")
	s.l.provider.Down(true)
	s.SendsNot("#act-approve form button", "The provider does not answer, so nobody whose account it keeps can sign now")
	s.l.provider.Down(false)
	s.shows("petra", "#act-approve form button", "sign-in/openid")
	s.Shows("main", "Nothing was signed", "Whoever showed who they are at the provider is not who began to sign here")
	s.signedBy(0)
	s.shoot("nothing-signed")
	s.Sends("main a.button")
	s.At("/" + page)
	s.shows("olga", "#act-approve form button", page)
	s.Shows(".outcome", "approved")
	s.Shows(".signed-card", "Olga Sower", "in force", "Shown anew at the sign-in provider")
	s.signedBy(1)
	s.run = last[0]
	s.withoutScripts("runs/" + s.run + "/review")
	s.signedBy(2)
}

// submitted has Ida submit a run of hers.
func (s *seat) submitted(run string) {
	s.T.Helper()
	var v console.ReviewView
	s.l.ask("ida", 200, "GET", "runs/"+run+"/review", nil, &v)
	s.l.ask("ida", 200, "POST", "runs/"+run+"/review", map[string]any{"act": record.ActSubmit, "seen": v.Last}, nil)
}

// shows follows what leads to the provider, and shows there who somebody is. It asks, although it remembers her: she has to show it anew.
func (s *seat) shows(who, by, then string) {
	s.T.Helper()
	s.Sends(by)
	s.Until("location.href", s.l.provider.URL+"/login")
	s.Fill("input[name=login]", who)
	s.Fill("input[name=secret]", map[string]string{"olga": olga.Secret, "petra": "another"}[who])
	s.Sends("button")
	s.Until("location.pathname + ' ' + document.readyState", "/"+then+" complete")
}

// withoutScripts: the page leads to the provider by a link, which is good for nothing without its ticket.
func (s *seat) withoutScripts(page string) {
	s.T.Helper()
	s.Does("Emulation.setScriptExecutionDisabled", map[string]any{"value": true})
	defer s.Does("Emulation.setScriptExecutionDisabled", map[string]any{"value": false})
	s.Visit(page)
	link := s.Says(`document.querySelector("noscript a").getAttribute("href")`)
	at := strings.Index(link, "&ticket=")
	if at < 0 {
		s.T.Fatalf("the link is %s", link)
	}
	s.Visit(link[:at] + "&ticket=" + strings.Repeat("0", 64))
	s.Shows("main", "Nothing was signed", "not of the page of the review as it was shown to you")
	s.l.provider.Down(true)
	s.Visit(link)
	s.Shows("main", "Nothing was signed", "The provider does not answer")
	s.l.provider.Down(false)
	s.signedBy(1)
	s.Visit(page)
	s.shows("olga", "noscript a", page)
	s.Shows(".outcome", "approved")
}

// signedBy holds what Olga signed against the entries.
func (s *seat) signedBy(n int) {
	s.T.Helper()
	var mine []record.Signature
	for _, one := range all[record.Signature](s.l, record.KindSignature) {
		if one.How == record.ShownOpenID {
			mine = append(mine, one)
		}
	}
	if len(mine) != n {
		s.T.Fatalf("%d are signed by way of the provider, and not %d", len(mine), n)
	}
	if n == 0 {
		return
	}
	one := mine[n-1]
	if one.Name != olga.Name || one.Login != "olga" || one.By.By != record.ActorOpenID || one.Meaning != record.MeansReviewed || !strings.Contains(one.Statement, "Run: "+one.Run.ID) {
		s.T.Errorf("signed is %+v", one)
	}
	if v, err := signature.Verify(one.Run.ID, s.l.covered(one.Run.ID)); err != nil || !v.Holds() || len(v.Signatures) != 1 || v.Signatures[0].Over != "" {
		s.T.Errorf("the signature is found to be %+v, %v", v, err)
	}
}
