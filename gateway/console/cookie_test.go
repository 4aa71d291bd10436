package console

import (
	"crypto/tls"
	"net/http"
	"testing"
)

// TestCookiesOverTLSAreTheHostsAlone: RFC 6265bis, section 4.1.3.2: __Host- asks for Secure, for the path / and for no domain.
func TestCookiesOverTLSAreTheHostsAlone(t *testing.T) {
	r := &http.Request{TLS: &tls.ConnectionState{}}
	for name, c := range map[string]http.Cookie{"__Host-weighpost": sessionCookie(r, "x"), "__Host-weighpost-openid": flowCookie(r, "x")} {
		if c.Name != name || !c.Secure || !c.HttpOnly || c.Path != "/" || c.Domain != "" || c.Valid() != nil {
			t.Errorf("%s: %s", name, c.String())
		}
	}
	if gone := sessionCookie(r, ""); gone.MaxAge >= 0 || gone.Name != "__Host-weighpost" {
		t.Errorf("%s", gone.String())
	}
}
