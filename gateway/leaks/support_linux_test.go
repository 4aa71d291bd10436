package leaks

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"weighpost/gateway/support"
)

// supported makes bundles for whoever helps, of the daemon as it runs and as it is down, for the search. Everything that was logged at the lowest
// level is in the first.
func (l *lab) supported(name, host string) {
	l.t.Helper()
	file := filepath.Join(l.dir, name+".log")
	l.log.mu.Lock()
	err := os.WriteFile(file, l.log.b.Bytes(), 0o600)
	l.log.mu.Unlock()
	if err != nil {
		l.t.Fatal(err)
	}
	o := support.Options{Config: l.g.Config(), Version: support.Built("test"), Log: file, VerifyFor: 20 * time.Second}
	if host != "" {
		o.Ask = func(ctx context.Context, path string) ([]byte, error) {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(l.g.PageURL(), "/")+path, nil)
			if err != nil {
				return nil, err
			}
			req.Header.Set("Authorization", "Bearer "+host)
			resp, err := l.client.Do(req)
			if err != nil {
				return nil, err
			}
			defer resp.Body.Close()
			if resp.StatusCode != 200 && resp.StatusCode != 503 {
				return nil, fmt.Errorf("%s: %s", path, resp.Status)
			}
			return io.ReadAll(resp.Body)
		}
	}
	var b bytes.Buffer
	parts, err := support.Write(l.t.Context(), &b, o)
	if err != nil {
		l.t.Fatal(err)
	}
	for _, p := range parts {
		if (p.Missing != "") != (host == "" && regexp.MustCompile(`^(conditions|metrics|destinations|clock|goroutines)\.`).MatchString(p.Name)) {
			l.t.Errorf("%s: %s: missing %q", name, p.Name, p.Missing)
		}
	}
	l.hay.unpacked(name, b.Bytes())
}

// personal are facts of people, samples and weighings that the journal holds and that no bundle for whoever helps may.
var personal = []string{"ada", "Ada", "bob", "Bob", "cleo", "Cleo", "LOT-1003", `12\.345`, `12\.349`, `10\.000`}

// impersonal holds that nothing of people, samples and values is in those bundles, and that it was there to be found.
func (l *lab) impersonal() {
	l.t.Helper()
	looked := 0
	for _, fact := range personal {
		is := regexp.MustCompile(`(^|[^\pL\pN])` + fact + `($|[^\pL\pN])`)
		if !is.Match(l.hay.piles["entries"]) {
			l.t.Errorf("the journal does not hold %s: this test shows nothing of it", fact)
		}
		for where, pile := range l.hay.piles {
			if !strings.HasPrefix(where, "support") {
				continue
			}
			looked++
			if at := is.FindIndex(pile); at != nil {
				l.t.Errorf("%s is in %s: …%q…", fact, where, pile[max(0, at[0]-120):at[1]])
			}
		}
	}
	log := l.hay.piles["support up!gunzip!weighpost-support/log.txt"]
	if looked < 100 || bytes.Count(log, []byte("\n")) < 10 || !bytes.Contains(log, []byte("(left out)")) {
		l.t.Errorf("%d places looked at, %d lines of the log, which are %.500s", looked, bytes.Count(log, []byte("\n")), log)
	}
}
