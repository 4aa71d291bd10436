package injected

import (
	"encoding/json"
	"fmt"
	"time"

	"weighpost/gateway/console"
)

// vessels registers a container under each id, and types in a slip that has the id in every text, and reads both back.
func (l *lab) vessels(all []string) {
	l.t.Helper()
	for i, id := range all {
		l.ask(200, "POST", "containers", map[string]any{"containers": []any{map[string]any{"id": id, "lot": id}}, "sort": "vial", "reason": id, "by": id})
		_, got := l.ask(200, "POST", "slips", map[string]any{"balance": "b-1", "digits": fmt.Sprintf("7.%03d", i), "unit": "g", "weighed": time.Now().Add(-time.Hour).UTC().Format(time.RFC3339),
			"sample": id, "lot": id, "method": id, "reason": id, "by": id})
		var slip console.SlipView
		if err := json.Unmarshal([]byte(got), &slip); err != nil || slip.LateEntered == nil || slip.Context.Sample == nil || slip.Context.Sample.ID != id || slip.Context.Lot.ID != id || slip.By.ID != id {
			l.t.Errorf("the slip of sample %q is given as %s", id, got)
		}
	}
	_, got := l.ask(200, "GET", "containers?limit=1000", nil)
	var list struct{ Containers []console.ContainerView }
	if err := json.Unmarshal([]byte(got), &list); err != nil {
		l.t.Fatal(err)
	}
	there := map[string]string{}
	for _, c := range list.Containers {
		there[c.ID] = c.Lot
	}
	for _, id := range all {
		if there[id] != id {
			l.t.Errorf("the container %q is not in the register, or is of the lot %q", id, there[id])
		}
	}
}
