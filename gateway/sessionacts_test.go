//go:build linux

package gateway_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// visitor is a browser at the page, as far as its requests go.
type visitor struct {
	t    *testing.T
	base string
	http *http.Client
}

func newVisitor(t *testing.T, base string) *visitor {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &visitor{t, base, &http.Client{Jar: jar, Transport: &http.Transport{}}}
	t.Cleanup(v.http.CloseIdleConnections)
	return v
}

// asks sends a request as the page does.
func (v *visitor) asks(method, path, body string) (int, string) {
	v.t.Helper()
	req, err := http.NewRequestWithContext(v.t.Context(), method, v.base+"api/v1/"+path, strings.NewReader(body))
	if err != nil {
		v.t.Fatal(err)
	}
	req.Header.Set("Origin", strings.TrimSuffix(v.base, "/"))
	req.Header.Set("X-Weighpost-Page", "1")
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := v.http.Do(req)
	if err != nil {
		v.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return resp.StatusCode, string(b)
}

// secrets are the values of the visitor's cookies.
func (v *visitor) secrets() (list []string) {
	u, _ := url.Parse(v.base)
	for _, c := range v.http.Jar.Cookies(u) {
		list = append(list, c.Value)
	}
	return list
}

const (
	firstSecret  = "five barley sheaves by the well"
	secondSecret = "nine oat sacks beside the barn"
)

// TestEveryActOfASessionIsOneEntry signs people in and out in every way that the API has, with what the daemon itself keeps: each is
// an entry that says who, how and from where, and no secret is in the journal, the answers or beside them in clear.
func TestEveryActOfASessionIsOneEntry(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "port-1")
	h.start(t, asked+"people: {badge: {sign_in: true}}\n")
	defer http.DefaultClient.CloseIdleConnections()
	folder := filepath.Join(h.dir, "journal")
	b, err := os.ReadFile(filepath.Join(folder, "set-up.token"))
	if err != nil {
		t.Fatal(err)
	}
	setUp := strings.TrimSpace(string(b))
	_, head := h.since(t, 0)
	left := func(what string, kinds ...record.Kind) (list []deedEntry) {
		t.Helper()
		before := head
		until(t, func() bool { list, head = h.since(t, before); return len(list) >= len(kinds) }, what+" leaves no entry")
		var got []record.Kind
		for _, e := range list {
			got = append(got, e.Kind)
			if e.Kind != record.KindSignInRefused && (e.By == nil || e.By.Where == "" || e.By.ID == "") {
				t.Errorf("%s: %s", what, e.JSON)
			}
		}
		if !slices.Equal(got, kinds) {
			t.Errorf("%s left %v, want %v", what, got, kinds)
		}
		return list
	}
	first, second := newVisitor(t, h.PageURL()), newVisitor(t, h.PageURL())
	var secrets []string
	do := func(v *visitor, method, path, body string, want int, kinds ...record.Kind) (answer string) {
		t.Helper()
		status, answer := v.asks(method, path, body)
		if status != want {
			t.Fatalf("%s %s: %d %s, want %d", method, path, status, answer, want)
		}
		left(method+" "+path, kinds...)
		secrets = append(secrets, v.secrets()...)
		return answer
	}
	quoted := func(s string) string { raw, _ := json.Marshal(s); return string(raw) }
	in := `{"login": "ada", "secret": ` + quoted(firstSecret) + `}`
	do(first, "POST", "set-up", `{"token": `+quoted(setUp)+`, "id": "ada", "name": "Ada Quill", "secret": `+quoted(firstSecret)+`}`, 200, record.KindPersonChanged, record.KindSignedIn)
	if got := do(first, "GET", "session", "", 200); !strings.Contains(got, `"id":"ada"`) || !strings.Contains(got, `"people"`) {
		t.Errorf("whoever set it up is told %s", got)
	}
	do(second, "POST", "set-up", `{"token": `+quoted(setUp)+`, "id": "eve", "name": "Eve", "secret": `+quoted(firstSecret)+`}`, 401, record.KindSignInRefused)
	before := first.secrets()
	do(first, "POST", "session", in, 200, record.KindSignedIn, record.KindSignedOut)
	if slices.Equal(before, first.secrets()) {
		t.Error("a sign-in goes on with the cookie of before")
	}
	do(first, "DELETE", "session", "", 200, record.KindSignedOut)
	do(first, "POST", "session", in, 200, record.KindSignedIn)
	do(second, "POST", "session", in, 200, record.KindSignedIn)
	do(first, "PUT", "session/secret", `{"old": `+quoted(firstSecret)+`, "secret": `+quoted(secondSecret)+`}`, 200, record.KindPersonChanged, record.KindSignedOut)
	if got := do(second, "GET", "session", "", 200); !strings.Contains(got, `"signed_in":false`) {
		t.Errorf("the other session lives on after another secret: %s", got)
	}
	in = `{"login": "ada", "secret": ` + quoted(secondSecret) + `}`
	do(second, "POST", "session", in, 200, record.KindSignedIn)
	var facts struct{ Session string }
	if err := json.Unmarshal([]byte(do(second, "GET", "session", "", 200)), &facts); err != nil || facts.Session == "" {
		t.Fatal(err)
	}
	do(first, "DELETE", "people/ada/sessions/"+facts.Session, "", 200, record.KindSignedOut)
	do(second, "POST", "session", in, 200, record.KindSignedIn)
	do(first, "DELETE", "session/others", "", 200, record.KindSignedOut)
	do(second, "POST", "session", in, 200, record.KindSignedIn)
	do(first, "DELETE", "session/everywhere", "", 200, record.KindSignedOut, record.KindSignedOut)
	do(second, "POST", "session", in, 200, record.KindSignedIn)
	do(second, "POST", "people/ada/badges", `{"code": "0047-ada", "reason": "a test"}`, 200, record.KindPersonChanged)
	do(first, "POST", "session/badge", `{"code": "0047-ada", "balance": "b-1"}`, 200, record.KindSignedIn)
	do(first, "GET", "people", "", 403, record.KindRefused) // a badge is no way to look at accounts
	do(second, "DELETE", "people/ada/sessions", "", 200, record.KindSignedOut, record.KindSignedOut)

	h.stop(t)
	if len(secrets) < 6 {
		t.Fatalf("only %d cookies were seen", len(secrets))
	}
	noneHolds(t, h.dir, append(secrets, firstSecret, secondSecret, setUp))
}

// noneHolds looks through all files of a folder for what may be in none of them.
func noneHolds(t *testing.T, dir string, secrets []string) {
	t.Helper()
	seen := 0
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		raw, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		seen++
		for _, s := range secrets {
			if bytes.Contains(raw, []byte(s)) {
				t.Errorf("%s holds a secret in clear (%.6s…)", path, s)
			}
		}
		return nil
	})
	if err != nil || seen < 3 {
		t.Errorf("%d files, %v", seen, err)
	}
}

// TestGuessingIsSlowedDown guesses over HTTP at an account that there is and at one that there is not: the same words for both, and
// after some attempts none is looked at for a while, in the same words again.
func TestGuessingIsSlowedDown(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "port-1")
	h.start(t, asked)
	defer h.stop(t)
	defer http.DefaultClient.CloseIdleConnections()
	b, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	if status, answer := request(t, h.Gateway, "POST", "api/v1/people", strings.TrimSpace(string(b)),
		`{"id": "ada", "name": "Ada Quill", "roles": ["operator"], "secret": "`+firstSecret+`", "reason": "a test"}`); status != 200 {
		t.Fatalf("%d %s", status, answer)
	}
	v := newVisitor(t, h.PageURL())
	told := map[string][]string{}
	for i := range 60 {
		login := []string{"ada", "nobody"}[i%2]
		status, answer := v.asks("POST", "session", `{"login": "`+login+`", "secret": "a guess that is wrong"}`)
		if status != 401 && status != 429 {
			t.Fatalf("%s: %d %s", login, status, answer)
		}
		if status == 429 {
			if len(told["ada"]) == 0 || len(told["nobody"]) == 0 {
				t.Error("it is slowed down before anything was judged")
			}
			all := append(told["ada"], told["nobody"]...)
			if slices.Sort(all); all[0] != all[len(all)-1] {
				t.Errorf("the answers differ: %q", told)
			}
			t.Logf("%d guesses were judged", i)
			return
		}
		told[login] = append(told[login], answer)
	}
	t.Error("60 guesses were judged, and none was slowed down")
}
