package seen

import (
	"fmt"
	"os"
	"testing"

	"weighpost/gateway/needs"
)

// axeText is axe-core as npm installed it by testdata/axe/package-lock.json.
func axeText(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../testdata/axe/node_modules/axe-core/axe.min.js")
	needs.That(t, err == nil, "axe-core: cd testdata/axe && npm ci --ignore-scripts")
	return string(b)
}

// held is what axe-core (https://github.com/dequelabs/axe-core, not ours) has against a page, of the rules for WCAG 2.0, 2.1 and 2.2 at
// the levels A and AA, where it calls the impact serious or critical. The browser runs it beside the page: the page's policy
// would not let it in. With colours it looks at what differs between light and dark alone.
func (e *eyes) held(axe string, colours bool) (list []string) {
	e.T.Helper()
	if e.Text("typeof axe") != "object" {
		e.Does("Runtime.evaluate", map[string]any{"expression": axe})
	}
	var found []struct {
		ID, Impact, Help string
		Nodes            []struct {
			HTML           string
			FailureSummary string
		}
	}
	only := `{type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}, rules: {"target-size": {enabled: true}}`
	if colours {
		only = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	}
	e.value(`axe.run(document, {runOnly: `+only+`,
		resultTypes: ["violations"]}).then((r) => r.violations.map((v) => ({id: v.id, impact: v.impact, help: v.help, nodes: v.nodes.slice(0, 5).map((n) => ({html: n.html.slice(0, 200), failureSummary: n.failureSummary}))})))`, &found)
	for _, v := range found {
		if v.Impact == "serious" || v.Impact == "critical" {
			for _, n := range v.Nodes {
				list = append(list, fmt.Sprintf("%s (%s): %s\n  %s", v.ID, v.Help, n.HTML, n.FailureSummary))
			}
		}
	}
	return list
}
