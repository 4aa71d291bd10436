//go:build unix

package fleet

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/archive"
	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
	"weighpost/gateway/screens"
	"weighpost/sinks/nats"
	"weighpost/sinks/nats/natstest"
)

// openPages serves the pages over an archive as weighpost archive page does, and gives their address.
func openPages(t testing.TB, cfg *archive.Config) string {
	t.Helper()
	reader, err := archive.OpenReader(t.Context(), cfg.Database)
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	page := console.Config{Listen: "127.0.0.1:0"}
	l, err := net.Listen("tcp", page.Listen)
	if err != nil {
		t.Fatal(err)
	}
	sites := screens.NewSites(screens.SitesDeps{Name: "archive.seedbank.example", Version: "0.0.0-test", Archive: reader, KeyOf: cfg.KeyOf, Log: log})
	server := console.NewReading(console.Deps{Site: "archive.seedbank.example", Page: page, Log: log, Screens: sites.Routes(), TurnedAway: sites.TurnedAway})
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := server.Serve(ctx, l); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); running.Wait(); reader.Close() })
	return "http://" + l.Addr().String()
}

// visitor asks pages.
type visitor struct {
	t    testing.TB
	at   string
	http http.Client
}

func (v *visitor) ask(method, path string, change func(*http.Request)) (int, string) {
	v.t.Helper()
	req, err := http.NewRequestWithContext(v.t.Context(), method, v.at+path, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	req.Header.Set("Accept", "text/html")
	if change != nil {
		change(req)
	}
	res, err := v.http.Do(req)
	if err != nil {
		v.t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return res.StatusCode, string(body)
}

// get asks for a page that is to have some texts, and none of others, which begin with a minus.
func (v *visitor) get(path string, want ...string) string {
	v.t.Helper()
	status, body := v.ask(http.MethodGet, path, nil)
	if status != http.StatusOK {
		v.t.Errorf("%s answers %d", path, status)
	}
	for _, w := range want {
		if no, not := strings.CutPrefix(w, "-"); strings.Contains(body, strings.TrimPrefix(w, "-")) == not {
			v.t.Errorf("%s: %q is there: %t", path, strings.TrimPrefix(no, "-"), not)
		}
	}
	return body
}

// TestPagesOverAnArchive walks through the pages over a real archive: gateways deliver, it verifies and co-signs, and the pages show that
// and change nothing.
func TestPagesOverAnArchive(t *testing.T) {
	cluster := natstest.Start(t, natstest.Options{})
	f := muster(t, 3, deliver.Default, func(int) *nats.Config { return sinkConfig(1, cluster.URLs()...) })
	f.weigh(t, 60)
	hostile := f.members[1].weighing(3, time.Now())
	hostile.Context.Sample = &record.Learnt{ID: `<script>alert(1)</script>`, By: "scanned"}
	pulled := &record.PortChange{Balance: record.About{ID: "b-04"}, Port: "/dev/serial/by-id/left", Why: "the cable was pulled", Times: 1, Stamp: hostile.Stamp}
	if _, err := f.members[1].Append(t.Context(), hostile, pulled); err != nil {
		t.Fatal(err)
	}
	f.caughtUp(t, time.Minute)
	f.stop()
	c := newCentre(t, cluster)
	cfg := c.config(t, "pages", f.members)
	stop := instances(t, 1, cfg)
	c.cosigned(t, "pages", f.members, time.Minute)
	stop()
	v := &visitor{t: t, at: openPages(t, cfg)}
	defer v.http.CloseIdleConnections()

	v.get("/", "seed-store-0000", "seed-store-0002", "3 verified", "archive.seedbank.example")
	v.get("/?site=0002", "seed-store-0002", "-seed-store-0001")
	v.get("/gateway/seed-store-0001/"+incarnation, "Co-signed checkpoint", "archive.seedbank.example", strings.ReplaceAll(f.members[1].public, "+", "&#43;"))
	first := v.get("/weighed", "seed-store-0001", "co-signed", "&lt;script&gt;alert(1)&lt;/script&gt;", "-<script>alert", "Older")
	older := regexp.MustCompile(`rel="next" href="([^"]+)"`).FindStringSubmatch(first)
	if older == nil {
		t.Fatal("no older part is offered")
	}
	second := v.get(strings.ReplaceAll(older[1], "&amp;", "&"), "To the beginning", "-Older")
	rows := regexp.MustCompile(`href="(/entry/[^"]+)"`)
	seen := map[string]bool{}
	for _, m := range append(rows.FindAllStringSubmatch(first, -1), rows.FindAllStringSubmatch(second, -1)...) {
		seen[m[1]] = true
	}
	if len(seen) != 181 {
		t.Errorf("two parts show %d weighings, of 181", len(seen))
	}
	v.get("/weighed?site=seed-store-0002&balance=b-03", "seed-store-0002", "-seed-store-0001")
	v.get("/weighed?from=yesterday", "cannot be understood")
	v.get("/happened?site=seed-store-0001", "b-04", "co-signed")
	entry := "/seed-store-0001/" + incarnation + "/b-03/000007"
	v.get("/entry"+entry, "leads to the root of a checkpoint", "Save the proof as a file", "&lt;script&gt;")
	v.get("/manual", "Manual")
	file := v.get("/proof" + entry)
	p, err := proof.Parse([]byte(file))
	if err != nil {
		t.Fatal(err)
	}
	key, err := proof.ParseKey(f.members[1].public)
	if err != nil {
		t.Fatal(err)
	}
	if shown, err := p.Verify(key); err != nil || !strings.Contains(string(p.Entry), hostile.ID) {
		t.Errorf("the proof file: %+v %v", shown, err)
	}
	v.refuses()
	shots(t, v.at, entry)
	v.altered(t, c, entry)
}

// refuses tries all that changes something, and asks as other sites would.
func (v *visitor) refuses() {
	v.t.Helper()
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		for _, path := range []string{"/", "/weighed", "/api/v1/settings", "/api/v1/session", "/gateway/seed-store-0001/" + incarnation} {
			if status, body := v.ask(method, path, nil); status != http.StatusMethodNotAllowed || !strings.Contains(body, "Nothing can be changed here") {
				v.t.Errorf("%s %s answers %d: %s", method, path, status, body)
			}
		}
	}
	for what, change := range map[string]func(*http.Request){
		"another host":   func(r *http.Request) { r.Host = "rebound.example" },
		"another origin": func(r *http.Request) { r.Header.Set("Origin", "http://elsewhere.example") },
	} {
		if status, _ := v.ask(http.MethodGet, "/weighed", change); status != http.StatusForbidden {
			v.t.Errorf("%s is answered by %d", what, status)
		}
	}
	for path, want := range map[string]int{"/entry/no/such/entry/1": http.StatusNotFound, "/gateway/no/such": http.StatusNotFound, "/settings": http.StatusNotFound,
		"/api/v1/weighings": http.StatusNotFound, "/healthz": http.StatusOK} {
		if status, _ := v.ask(http.MethodGet, path, nil); status != want {
			v.t.Errorf("%s answers %d and not %d", path, status, want)
		}
	}
}

// altered changes a row behind the archive's back: the page gives no proof of it, and says why.
func (v *visitor) altered(t testing.TB, c *centre, entry string) {
	t.Helper()
	c.sql(t, "pages", "UPDATE archive.entries SET entry = convert_to(replace(convert_from(entry, 'UTF8'), '\"g\"', '\"mg\"'), 'UTF8') WHERE id = '"+entry[1:]+"'")
	v.get("/entry"+entry, "it was changed since", "-Save the proof as a file")
	if status, _ := v.ask(http.MethodGet, "/proof"+entry, nil); status != http.StatusConflict {
		t.Errorf("the proof of an altered row answers %d", status)
	}
}
