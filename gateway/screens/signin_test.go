package screens

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"weighpost/gateway/access"
	"weighpost/gateway/rights"
)

// TestSigningInLeadsBackToAPageOfOursOnly: what the page goes on to, and what it sends a provider, is never another site's address.
// What counts for one is tested in the console (TestNobodyIsSentToAnotherSite).
func TestSigningInLeadsBackToAPageOfOursOnly(t *testing.T) {
	b := openRegister(t)
	b.add(t, "boss", "Bo Berg", rights.IT)
	l := newLab(t, b.deps)
	for _, to := range []string{"//evil.example/", `/\evil.example`, "https://evil.example/", "/%2fevil.example", "/\n/evil.example", "javascript:alert(1)", "/api/v1/session", `"><b>evil`} {
		_, body := l.get(t, "/sign-in?to="+url.QueryEscape(to), rights.Who{})
		if !strings.Contains(body, `data-then="/"`) || strings.Contains(body, "evil.example\"") || strings.Contains(body, "<b>evil") {
			t.Errorf("%q: %s", to, body)
		}
	}
	if _, body := l.get(t, "/sign-in?to="+url.QueryEscape("/people?q=ada&state=locked"), rights.Who{}); !strings.Contains(body, `data-then="/people?q=ada&amp;state=locked"`) {
		t.Errorf("a page of ours is not gone back to: %s", body)
	}
}

// TestThePageForSigningInSaysWhatIsToBeDone: by whoever looks, and what is configured.
func TestThePageForSigningInSaysWhatIsToBeDone(t *testing.T) {
	b := openRegister(t, func(c *access.Config) {
		c.Password.Minimum, c.Password.Reuse = 21, 3
		c.Badge = access.BadgeConfig{SignIn: true, PIN: true}
	})
	l := newLab(t, b.deps)
	must := as(rights.IT)
	must.Rights, must.MustChange = rights.Of(rights.OwnAccount), true
	step := func(path string, who rights.Who, has, hasNot string) {
		t.Helper()
		status, body := l.get(t, path, who)
		if status != http.StatusOK {
			t.Fatalf("%s: %d %s", path, status, body)
		}
		for want := range strings.SplitSeq(has, "|") {
			if !strings.Contains(body, want) {
				t.Errorf("%s: does not hold %q: %s", path, want, body)
			}
		}
		for no := range strings.SplitSeq(hasNot, "|") {
			if no != "" && strings.Contains(body, no) {
				t.Errorf("%s: holds %q", path, no)
			}
		}
	}
	step("/sign-in", rights.Who{}, `id="set-up"|set-up.token|At least 21 characters|Not one of your last 3 passwords|First account`, `id="sign-in"|Look without`)
	b.add(t, "boss", "Bo Berg", rights.IT)
	if b.SetUpFile() != "" {
		t.Fatal("the token still waits")
	}
	step("/sign-in", rights.Who{}, `id="sign-in"|<h1>Sign in</h1>|With a badge you sign in at a balance|id="choose"`, `id="set-up"|id="badge"|Look without`)
	step("/sign-in", as(""), "Look without signing in", "")
	step("/sign-in?balance=b-1&to=/people", rights.Who{}, `id="badge"|<label for="pin">PIN</label>|name="balance" value="b-1"|data-then="/people"|Sign in at b-1`, "")
	step("/sign-in?balance="+url.QueryEscape(hostileName), rights.Who{}, "There is no such balance", "<img|b-1")
	step("/sign-in", as(rights.IT), "You are signed in as <strong>Ada Quill</strong>|/account", `id="sign-in"|id="choose"`)
	step("/sign-in", must, `id="choose"|At least 21 characters|data-proof="old"`, `id="sign-in"|hidden>`+"\n  <p>The password")
	b.cfg.Badge.PIN = false
	step("/sign-in?balance=b-1", rights.Who{}, `id="badge"`, `id="pin"`)
	b.cfg.Badge.SignIn = false
	step("/sign-in?balance=b-1", rights.Who{}, `id="sign-in"|value="b-1"`, `id="badge"`)
}

// TestComingBackFromAProviderLooksLikeEveryPage, goes on by itself where all is well, and only then.
func TestComingBackFromAProviderLooksLikeEveryPage(t *testing.T) {
	l := newLab(t, openRegister(t).deps)
	for status, want := range map[int]bool{http.StatusOK: true, http.StatusUnauthorized: false} {
		w := httptest.NewRecorder()
		l.CameBack(w, httptest.NewRequest(http.MethodGet, "/sign-in/openid", nil), status, "Title", hostileName, "/weighed?a=b&c=d")
		body := w.Body.String()
		if w.Code != status || strings.Contains(body, `content="0;url=/weighed?a=b&amp;c=d"`) != want || strings.Contains(body, "<img") || !strings.Contains(body, "frame.css") {
			t.Errorf("%d: %s", status, body)
		}
	}
}
