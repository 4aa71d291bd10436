package screens

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) nowPages() []row {
	return []row{
		{"/{$}", rights.See, s.overview}, {"/clock", rights.See, s.clock}, {"/balances/{id}", rights.See, s.balance},
		{"/due", rights.See, s.showDue}, {"/wall", rights.See, s.wall}, {"/wall/{id}", rights.See, s.wall},
		{"/manual", console.Everybody, s.manual}, {"/manual/{topic}", console.Everybody, s.manualPage},
	}
}

// oldAfter is after how long a weight is called old. assets/now.js has the same.
const oldAfter = 10 * time.Second

// weight is what a balance shows, in the words of a page.
type weight struct {
	Digits, Unit     string // or a few words where there is no weight, and ""
	Words, Long, Old bool
	Stability, Shape string
	Rest, When, Why  string
}

// looks are shape and word of what a balance says of whether the weight stands still.
var looks = map[string][2]string{"stable": {"at-rest", "settled"}, "unstable": {"moving", "moving"}, "unknown": {"not-said", "stability not said"}}

// weightOf says what a balance shows. assets/now.js says the same of what comes later.
func weightOf(b *console.Balance, now time.Time) (w weight) {
	l := b.Live
	if l == nil {
		return weight{Digits: "Nothing received yet", Words: true}
	}
	w.Old = now.Sub(l.UTC.Time()) > oldAfter || !b.PortUp
	w.When, w.Why = clockTime(l.UTC), l.Unread
	if w.Old {
		w.When = "last sent " + w.When
	}
	v := l.Value
	if v == nil || v.Range != "in" || v.Digits == "" {
		w.Words, w.Digits = true, noWeight(l)
		return w
	}
	w.Digits, w.Unit, w.Long, w.Stability = v.Digits, v.UnitShown(), len(v.Digits) > 9, v.Stability
	if look, ok := looks[v.Stability]; ok {
		w.Shape, w.Rest = look[0], look[1]
	}
	if v.Kind != "unknown" {
		w.Rest += ", " + v.Kind
	}
	return w
}

func noWeight(l *record.Live) string {
	switch {
	case l.Value == nil && l.Unread != "":
		return "A frame that cannot be read"
	case l.Value != nil && l.Value.Range == "over":
		return "Over range"
	case l.Value != nil && l.Value.Range == "under":
		return "Under range"
	}
	return "No weight in this frame"
}

// shown is one balance as pages show it.
type shown struct {
	console.Balance
	Weight         weight
	Troubles       []trouble // that are about it, also those that come from others
	NotRecorded    bool
	Person, Sample *record.ContextHeld
	Others         []record.ContextHeld
	Print          string // changes when what is said of it does, but for the weight and what was recorded last
	Hidden         bool   // by a filter
}

// Worst is the severity of the worst that is wrong with the balance, "" for nothing.
func (b *shown) Worst() health.Severity {
	for _, severity := range []health.Severity{health.Error, health.Warning, health.Notice} {
		if slices.ContainsFunc(b.Troubles, func(t trouble) bool { return t.Severity == severity }) {
			return severity
		}
	}
	return ""
}

// trouble is a condition as pages show it.
type trouble struct {
	health.Condition
	Acts         []Act
	Consequences []trouble
}

// troubles is a list of them.
type troubles struct {
	List  []trouble
	About string // the balance that all are about; "" for everything
	Print string
}

// conditions lists what is wrong as the console does.
func (s *Screens) conditions() []health.Condition {
	list, _ := console.ToldInOrder(s.deps.Conditions.List())
	return list
}

func (s *Screens) trouble(w who, c health.Condition) trouble {
	t := trouble{Condition: c, Acts: s.acts(w, &c)}
	for _, one := range c.Consequences {
		t.Consequences = append(t.Consequences, trouble{Condition: one, Acts: s.acts(w, &one)})
	}
	return t
}

func (s *Screens) troubles(w who, list []health.Condition) troubles {
	t := troubles{Print: printConditions(list, "")}
	for _, c := range list {
		t.List = append(t.List, s.trouble(w, c))
	}
	return t
}

// notRecorded says whether a condition, or one told under it, keeps a balance from being recorded: its own, or the journal's.
func notRecorded(list []health.Condition, balance string) bool {
	return slices.ContainsFunc(list, func(c health.Condition) bool { return console.StopsBalance(c, balance) })
}

// shown says of a balance what pages show of it.
func (s *Screens) shown(w who, b console.Balance, list []health.Condition, now time.Time) *shown {
	one := &shown{Balance: b, Weight: weightOf(&b, now), NotRecorded: notRecorded(list, b.ID)}
	for i := range b.Context {
		switch item := &b.Context[i]; item.Name {
		case "person":
			one.Person = item
		case "sample":
			one.Sample = item
		default:
			one.Others = append(one.Others, *item)
		}
	}
	for i := range list {
		list[i].Any(func(c *health.Condition) bool {
			if kindOf(c.Code).About == "balance" && ofBalance(c, b.ID) {
				t := s.trouble(w, *c)
				t.Consequences = nil
				one.Troubles = append(one.Troubles, t)
			}
			return false
		})
	}
	one.Print = printBalance(&b, list)
	return one
}

// ofBalance says whether a condition about a balance is about this one, or its scanner.
func ofBalance(c *health.Condition, id string) bool {
	return c.Subject == id || c.Subject == id+"-scanner"
}

// printBalance changes when a balance has to be shown anew. assets/now.js makes the same of the live state.
func printBalance(b *console.Balance, list []health.Condition) string {
	parts := []string{fmt.Sprint(b.PortUp), b.Identity, fmt.Sprint(b.Unread), fmt.Sprint(b.Damaged), fmt.Sprint(b.Unkept), fmt.Sprint(b.Waiting > 20)}
	for _, item := range b.Context {
		uses := ""
		if item.Uses != nil {
			uses = fmt.Sprint(*item.Uses)
		}
		parts = append(parts, item.Name+"="+item.ID+" "+item.By+" "+uses)
	}
	if b.Fitness != nil {
		parts = append(parts, "fitness="+b.Fitness.State)
	}
	return strings.Join(append(parts, printConditions(list, b.ID)), "|")
}

// printConditions changes when a list of conditions has to be shown anew: all of them, or those about a balance.
func printConditions(list []health.Condition, about string) string {
	var parts []string
	for i := range list {
		list[i].Any(func(c *health.Condition) bool {
			if about == "" || ofBalance(c, about) {
				parts = append(parts, c.Code+" "+c.Subject+" "+string(c.Severity)+" "+c.Sentence)
			}
			return false
		})
	}
	return strings.Join(parts, "|")
}

// learnt says how an item of the context was learnt, and how long it holds.
func learnt(c record.ContextHeld) string {
	parts := []string{strings.ReplaceAll(c.By, "-", " ")}
	if c.Uses != nil && *c.Uses == 1 {
		parts = append(parts, "for one weighing")
	} else if c.Uses != nil {
		parts = append(parts, "for "+count(*c.Uses)+" weighings")
	}
	if c.Until != nil {
		parts = append(parts, "until "+clockTime(c.Until))
	}
	return strings.Join(parts, ", ")
}

// parts answers a script that asks for some parts of a page anew: those that wanted names. It says whether the request was one.
func (s *Screens) parts(w http.ResponseWriter, r *http.Request, file string, data any) bool {
	if !r.URL.Query().Has("part") {
		return false
	}
	var b strings.Builder
	if err := parsed()[file]().ExecuteTemplate(&b, "parts", data); err != nil {
		s.deps.Log.Error("a part of a page cannot be made", "page", file, "err", err)
		http.Error(w, "This part cannot be made.", http.StatusInternalServerError)
		return true
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	fmt.Fprint(w, "<!doctype html><title>Parts</title>", b.String())
	return true
}

// asked are the parts that a request wants.
type asked []string

func askedFor(r *http.Request) asked { return r.URL.Query()["part"] }

// Wants says whether a part is wanted.
func (a asked) Wants(part string) bool { return slices.Contains(a, part) }
