package access_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
)

func day(n int) strict.Duration { return strict.Duration(time.Duration(n) * 24 * time.Hour) }

// configured has the journal say that the lab's own roles mean this from now on, as a start or a reload does.
func (r *rig) configured(roles map[string][]string) {
	r.t.Helper()
	r.configure(func(c *access.Config) { c.Roles = roles })
	text, err := json.Marshal(map[string]any{"people": map[string]any{"roles": roles}})
	if err != nil {
		r.t.Fatal(err)
	}
	if _, err := r.j.Append(r.t.Context(), &record.Configured{To: "sha256:x", Config: text, Changes: []string{}, Stamp: r.stamp()}); err != nil {
		r.t.Fatal(err)
	}
}

// TestHeldOn: who held which right on any date, through changed roles, a role that changed its meaning, a disabled account and one
// that expired; the same after a restart without the snapshot.
func TestHeldOn(t *testing.T) {
	r := newRig(t)
	start := r.clock()
	r.configured(map[string][]string{"weigher": {"see", "weigh"}})
	r.pass(24 * time.Hour) // day 1
	end := start.Add(10 * 24 * time.Hour)
	if _, err := r.book.AddPerson(t.Context(), host, rights.NewPerson{ID: "p-07", Name: "Anna", Roles: []string{"weigher"}, Expires: &end}); err != nil {
		t.Fatal(err)
	}
	r.pass(24 * time.Hour) // day 2
	r.configured(map[string][]string{"weigher": {"see", "weigh", "command"}})
	r.pass(24 * time.Hour) // day 3
	roles := []string{rights.Auditor}
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Roles: &roles, Reason: "moved"}); err != nil {
		t.Fatal(err)
	}
	r.pass(24 * time.Hour) // day 4
	yes, no := true, false
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Disabled: &yes, Reason: "on leave"}); err != nil {
		t.Fatal(err)
	}
	r.pass(24 * time.Hour) // day 5
	if _, err := r.book.ChangePerson(t.Context(), host, "p-07", rights.PersonChange{Disabled: &no, Reason: "back"}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.book.MakeKey(t.Context(), host, rights.NewKey{ID: "lims", Name: "L", Roles: []string{rights.Machine}}); err != nil {
		t.Fatal(err)
	}
	on := func(days float64) string {
		at := start.Add(time.Duration(days * float64(24*time.Hour)))
		list, err := r.book.HeldOn(t.Context(), host, at)
		if err != nil {
			t.Fatal(err)
		}
		var words []string
		for _, h := range list {
			to := "-"
			if h.To != nil {
				to = h.To.Sub(start).String()
			}
			if !h.Key && slices.Contains([]rights.Right{rights.See, rights.Weigh, rights.Command, rights.Export}, h.Right) {
				words = append(words, string(h.Right)+"/"+strings.Join(h.Roles, "+")+"/"+h.From.Sub(start).String()+"/"+to)
			}
		}
		return strings.Join(words, " ")
	}
	for range 2 {
		for _, c := range []struct {
			day  float64
			want string
		}{
			{0.5, ""},
			{1.5, "see/weigher/24h0m0s/96h0m0s weigh/weigher/24h0m0s/72h0m0s"},
			{2.5, "see/weigher/24h0m0s/96h0m0s weigh/weigher/24h0m0s/72h0m0s command/weigher/48h0m0s/72h0m0s"},
			{3, "see/auditor/24h0m0s/96h0m0s export/auditor/72h0m0s/96h0m0s"},
			{4.5, ""},
			{5.5, "see/auditor/120h0m0s/240h0m0s export/auditor/120h0m0s/240h0m0s"},
			{10, ""},
			{99, ""},
		} {
			if got := on(c.day); got != c.want {
				t.Errorf("day %v: %s\nwant   %s", c.day, got, c.want)
			}
		}
		r.close()
		remove(t, r.dir)
		r.open()
	}
	list, err := r.book.HeldOn(t.Context(), host, r.clock())
	if err != nil || !slices.ContainsFunc(list, func(h rights.Holding) bool {
		return h.Key && h.Person == "lims" && h.Right == rights.SendContext && h.To != nil
	}) {
		t.Errorf("the key is not in it: %v %v", list, err)
	}
}
