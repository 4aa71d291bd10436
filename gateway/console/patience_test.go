package console

import (
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// timed is an answer that notes until when the request may be read.
type timed struct {
	http.ResponseWriter
	note func(time.Time)
}

func (w timed) Unwrap() http.ResponseWriter { return w.ResponseWriter }

func (w timed) SetReadDeadline(t time.Time) error {
	w.note(t)
	return http.NewResponseController(w.ResponseWriter).SetReadDeadline(t)
}

// TestNoRouteHurriesWhoeverWaits: once a body has been read nothing sets a time by which it has to be. It would hold for the
// connection, and end the request while a balance, a directory or a disk is waited for.
func TestNoRouteHurriesWhoeverWaits(t *testing.T) {
	var mu sync.Mutex
	var noted []time.Time
	h := openWith(t, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(timed{w, func(at time.Time) { mu.Lock(); noted = append(noted, at); mu.Unlock() }}, r)
		})
	})
	walked, done := 0, 0
	for _, route := range ruledRoutes(h) {
		if !slices.Contains(changingMethods, route.method) || bodyTypes[route.method] == nil {
			continue
		}
		walked++
		noted = nil
		path := strings.NewReplacer("/balances/{id}", "/balances/b-12", "{id}", "operator", "{name}", "tare", "{step}", "next").Replace(route.path)
		resp, _ := send(t, h, route.method, path, goodBody(route.method, route.path), nil)
		if resp.StatusCode < 300 {
			done++
		}
		if mu.Lock(); len(noted) > 0 {
			t.Errorf("%s %s: has to be read by %v", route.method, route.path, noted)
		}
		mu.Unlock()
	}
	if walked < 25 || done < walked/2 {
		t.Errorf("%d routes, of which %d did what was asked", walked, done)
	}
}

// TestADirectoryMayTakeItsTime: longer than the API library gives a body by itself.
func TestADirectoryMayTakeItsTime(t *testing.T) {
	t.Parallel()
	h := open(t)
	h.access.slow = 6 * time.Second
	if resp, answer := send(t, h, "POST", peoplePath, goodBody("POST", peoplePath), nil); resp.StatusCode != 200 {
		t.Errorf("%d %s", resp.StatusCode, answer)
	}
}

// TestTheDescriptionNamesEveryWayIn: a key or the host's token, and the cookie of a session.
func TestTheDescriptionNamesEveryWayIn(t *testing.T) {
	h := open(t)
	doc := description(t, h)
	schemes := doc["components"].(map[string]any)["securitySchemes"].(map[string]any)
	session := schemes["session"].(map[string]any)
	if token := schemes["token"].(map[string]any); token["scheme"] != "bearer" || session["type"] != "apiKey" || session["in"] != "cookie" || session["name"] != tlsCookie {
		t.Errorf("%v", schemes)
	}
	for _, route := range ruledRoutes(h) {
		if !described(doc, "paths", route.path) {
			continue // not of the API
		}
		op := doc["paths"].(map[string]any)[route.path].(map[string]any)[strings.ToLower(route.method)].(map[string]any)
		named := map[string]bool{}
		ways, _ := op["security"].([]any)
		for _, way := range ways {
			for name := range way.(map[string]any) {
				named[name] = true
			}
		}
		if all := route.right != Everybody; named["token"] != all || named["session"] != all {
			t.Errorf("%s %s, %s: %v", route.method, route.path, route.right, ways)
		}
	}
}
