package screens

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/console"
)

// newCheck is what a new check can begin as: a ready-made one, or one of a kind with nothing said yet.
type newCheck struct{ Use, Measures, Says string }

// checkFits says which kinds of check have a key, by its path; the others have it all.
var checkFits = map[string]string{"uncertainty": "accuracy sensitivity eccentricity linearity", "times": "repeatability", "positions": "eccentricity", "down": "linearity", "tolerance.smallest": "repeatability",
	"tolerance.percent": "accuracy sensitivity eccentricity linearity", "tolerance.verified": "accuracy sensitivity eccentricity linearity"}

// knownLists are lists of what is often written into a field, by its path.
var knownLists = map[string]string{"schedule[].every": "how-often", "balances[].schedule[].every": "how-often"}

// check is the form of one check, or of a new one, which begins with what kind it is.
func (p *settingsScreens) check(w http.ResponseWriter, r *http.Request) {
	f, ok := p.itemForm(w, r, "checks", "There is no such check")
	if !ok {
		return
	}
	n := p.schema().child("checks")
	if n == nil || n.Item == nil {
		p.sorry(w, r, http.StatusNotFound, "There is no such part of the settings", "See what there is under Settings.")
		return
	}
	ready, begun := p.readyChecks(), true
	if f.New {
		begun = f.beginCheck(n.Item, r.URL.Query().Get("use"), r.URL.Query().Get("measures"))
	}
	f.Means = map[string]string{}
	for _, one := range ready {
		f.Means[one.Name] = one.Measures
		if held, _ := f.Held.(map[string]any); held["use"] == one.Name {
			f.Intro = "The ready-made check " + one.Name + " measures " + one.Measures + ": " + checkSays(one) + ". What is left empty here is as it says."
		}
	}
	title := "Check " + f.ID
	if f.New {
		title = "Add a check"
	}
	var scripts []string
	if begun {
		f.Root = former{skip: []string{"name"}, fits: checkFits}.groupOf(n.Item, f.Held, "")
		scripts = []string{"settings.js"}
	} else {
		f.Checks = newChecks(n.Item, ready)
	}
	p.show(w, r, page{Template: "settings-form.html", Title: title, Place: "/settings", Scripts: scripts, Data: f})
}

// beginCheck has the form of a new check begin as what was chosen; false: nothing was, or nothing that there is.
func (f *settingsForm) beginCheck(n *node, use, measures string) bool {
	for key, value := range map[string]string{"use": use, "measures": measures} {
		if c := n.child(key); c != nil && slices.Contains(c.Enum, value) {
			f.Held = map[string]any{key: value}
			return true
		}
	}
	return false
}

// readyChecks are the ready-made checks, where whoever looks after fitness has some.
func (p *settingsScreens) readyChecks() []console.CheckDefinition {
	if has, ok := p.deps.Fitness.(console.ReadyChecks); ok {
		return has.ReadyChecks()
	}
	return nil
}

// newChecks are the ready-made checks and the kinds that the schema has.
func newChecks(n *node, ready []console.CheckDefinition) (list []newCheck) {
	if c := n.child("use"); c != nil {
		for _, use := range c.Enum {
			one := newCheck{Use: use}
			if i := slices.IndexFunc(ready, func(d console.CheckDefinition) bool { return d.Name == use }); i >= 0 {
				one.Says = capital(ready[i].Measures) + ": " + checkSays(ready[i])
			}
			list = append(list, one)
		}
	}
	if c := n.child("measures"); c != nil {
		for _, kind := range c.Enum {
			_, says, _ := strings.Cut(pickLabel("measures", kind), ": ")
			list = append(list, newCheck{Measures: kind, Says: capital(says) + "."})
		}
	}
	return list
}

// checkSays says in one line what a check does.
func checkSays(d console.CheckDefinition) string {
	text := strings.Join(d.Loads, ", ")
	if d.Times > 0 {
		text += ", " + strconv.Itoa(d.Times) + " weighings"
	}
	if len(d.Positions) > 0 {
		text += " on the centre, " + strings.Join(d.Positions, ", ")
	}
	return text + "; limit: " + d.Limit
}

// choices are what fields of a part choose from, where the settings themselves say what there is: checks of a schedule, balances.
func (p *settingsScreens) choices(doc map[string]any, section string) map[string][]string {
	if section != "fitness" {
		return nil
	}
	names := func(list string) (all []string) {
		items, _ := doc[list].([]any)
		for _, one := range items {
			o, _ := one.(map[string]any)
			if id, _ := o[idKey(list)].(string); id != "" {
				all = append(all, id)
			}
		}
		return all
	}
	return map[string][]string{"check": names("checks"), "balance": names("balances")}
}
