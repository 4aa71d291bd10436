package config

import (
	"slices"
	"strings"
	"testing"
)

// TestAPageBeyondLoopbackNeedsThreeThings: an address, a certificate, and people who sign in.
func TestAPageBeyondLoopbackNeedsThreeThings(t *testing.T) {
	load := func(page, more string) (*Config, string) {
		c, faults := Load("w.yaml", []byte("site: north-lab\njournal: {folder: journal}\npage: {"+page+"}\n"+more))
		if len(faults) > 0 {
			return nil, faults.Error()
		}
		return c, ""
	}
	const secure = "tls: {self_made: true}, names: [page.lab.example]"
	for _, listen := range []string{"0.0.0.0:8467", ":8467", "[::]:443", "192.0.2.7:443", "[2001:db8::7]:8467"} {
		page := "listen: \"" + listen + "\""
		if _, why := load(page, ""); !strings.Contains(why, "without TLS") {
			t.Errorf("%s without a certificate: %s", listen, why)
		}
		if _, why := load(page+", "+secure, ""); !strings.Contains(why, "nobody is asked to sign in") {
			t.Errorf("%s without people: %s", listen, why)
		}
		if c, why := load(page+", "+secure, "people: {visitors: nothing}\n"); why != "" || !c.Page.BeyondLoopback() {
			t.Errorf("%s: %s", listen, why)
		}
	}
	if c, why := load(secure, ""); why != "" || c.Page.URL() != "https://127.0.0.1:8467" {
		t.Errorf("TLS on loopback: %s", why)
	}
	c, why := load(`listen: "127.0.0.1:1", tls: {certificate: page.pem, key: /etc/page.key}`, "")
	if why != "" || c.Page.TLS.Certificate != "page.pem" || c.Page.TLS.Key != "/etc/page.key" {
		t.Fatalf("%+v %s", c, why)
	}
	_, notHeld := c.BackupSecrets()
	if !slices.ContainsFunc(notHeld, func(s string) bool { return strings.Contains(s, "the key of the page's certificate") }) {
		t.Errorf("the key is in no backup: %v", notHeld)
	}
}
