package console

import (
	"cmp"
	"flag"
	"fmt"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/rights"
)

var update = flag.Bool("update", false, "write the golden files anew")

// ruled is a route with the right that it names itself.
type ruled struct {
	method, path string
	right        rights.Right
	or           []rights.Right // likewise, each of them is enough
}

// ruledRoutes are all routes: those of the API from its own description, the others from their table.
func ruledRoutes(h *house) (list []ruled) {
	for path, item := range h.doc().Paths {
		for method, op := range map[string]*huma.Operation{"GET": item.Get, "PUT": item.Put, "PATCH": item.Patch, "POST": item.Post, "DELETE": item.Delete} {
			if op != nil {
				right, _ := rightOf(op)
				list = append(list, ruled{method, path, right, otherRights(op)})
			}
		}
	}
	for _, o := range h.otherRoutes() {
		list = append(list, ruled{"GET", strings.TrimSuffix(o.pattern, "{$}"), o.right, nil})
	}
	slices.SortFunc(list, func(a, b ruled) int {
		return cmp.Or(strings.Compare(a.path, b.path), strings.Compare(a.method, b.method))
	})
	return list
}

// TestEveryRouteNamesItsRight holds the routes to a table that a person has looked over. A new route, or a right that changed,
// shows there: go test ./gateway/console -update, and look at what it says.
func TestEveryRouteNamesItsRight(t *testing.T) {
	const golden = "testdata/route-rights.txt"
	var b strings.Builder
	for _, r := range ruledRoutes(open(t)) {
		if r.right != Everybody && !slices.Contains(rights.All(), r.right) {
			t.Errorf("%s %s: %q is no right", r.method, r.path, r.right)
		}
		fmt.Fprintf(&b, "%-6s %-50s %s", r.method, r.path, r.right)
		for _, other := range r.or {
			fmt.Fprintf(&b, ", or %s", other)
		}
		b.WriteString("\n")
	}
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the rights of routes changed: run with -update and look over %s\n%s", golden, b.String())
	}
}

// TestARouteWithoutARightIsNotServed: neither of the API nor beside it.
func TestARouteWithoutARightIsNotServed(t *testing.T) {
	h := open(t)
	refused := func(name, want string, f func()) {
		t.Helper()
		defer func() {
			if got := fmt.Sprint(recover()); !strings.Contains(got, want) {
				t.Errorf("%s: %s", name, got)
			}
		}()
		f()
	}
	for _, right := range []rights.Right{"", "see-everything"} {
		refused("a page", "/x names no right", func() { h.Server.routes([]otherRoute{{"/x", right, http.NotFoundHandler(), false}}) })
		refused("an operation", "/y names no right", func() {
			h.describeRights(&huma.OpenAPI{Paths: map[string]*huma.PathItem{"/y": {Get: &huma.Operation{Method: "GET", Metadata: map[string]any{rightKey: right}}}},
				Components: &huma.Components{Schemas: huma.NewMapRegistry("#", huma.DefaultSchemaNamer)}})
		})
	}
}
