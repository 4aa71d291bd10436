package demo

import "testing"

func came(balance, id, digits string) arrival {
	var a arrival
	a.ID, a.Balance.ID, a.Value.Digits, a.Value.Unit = id, balance, digits, "g"
	return a
}

// TestJudgeSeesEveryKindOfLoss shows that the demo's verdict can fail, each way it claims to.
func TestJudgeSeesEveryKindOfLoss(t *testing.T) {
	truth := map[string][]printed{"a": {{digits: "1.0", unit: "g"}, {digits: "2.0", unit: "g"}, {digits: "2.0", unit: "g"}}}
	one, two, three := came("a", "s/i/a/000001", "1.0"), came("a", "s/i/a/000002", "2.0"), came("a", "s/i/a/000003", "2.0")
	for name, c := range map[string]struct {
		arrivals []arrival
		want     ruling
	}{
		"all there":             {[]arrival{one, two, three}, ruling{delivered: 3}},
		"came in another order": {[]arrival{three, one, two}, ruling{delivered: 3}},
		"one twice":             {[]arrival{one, two, two, three}, ruling{delivered: 3, duplicates: 1}},
		"one missing":           {[]arrival{one, three}, ruling{delivered: 2, lost: 1}},
		"nothing":               {nil, ruling{lost: 3}},
		"wrong digits":          {[]arrival{one, came("a", "s/i/a/000002", "2.1"), three}, ruling{delivered: 3, lost: 1, strange: 1}},
		"digits cut":            {[]arrival{came("a", "s/i/a/000001", "1"), two, three}, ruling{delivered: 3, lost: 1, strange: 1}},
		"one id, two contents":  {[]arrival{one, two, three, came("a", "s/i/a/000003", "9.0")}, ruling{delivered: 3, strange: 1}},
		"an unknown balance":    {[]arrival{one, two, three, came("b", "s/i/b/000001", "1.0")}, ruling{delivered: 4, strange: 1}},
		"one too many":          {[]arrival{one, two, three, came("a", "s/i/a/000004", "2.0")}, ruling{delivered: 4, strange: 1}},
	} {
		if got := judge(truth, c.arrivals); got != c.want {
			t.Errorf("%s: got %+v, want %+v", name, got, c.want)
		}
	}
}

// TestJudgeSeesEveryWrongTie: a weighing that carries what was not meant for it, or lacks what was, or says otherwise how it
// was learnt, is counted.
func TestJudgeSeesEveryWrongTie(t *testing.T) {
	person, one, two := tie{"P-07", "scanned"}, tie{"LOT-1", "scanned"}, tie{"LOT-2", "scanned"}
	truth := map[string][]printed{"a": {
		{"1.0", "g", ties{person, one}}, {"2.0", "g", ties{person: person}}, {"3.0", "g", ties{}},
	}}
	for name, c := range map[string]struct {
		alter func(one, two, three *arrival)
		want  ruling
	}{
		"as meant":          {func(_, _, _ *arrival) {}, ruling{delivered: 3}},
		"another sample":    {func(a, _, _ *arrival) { a.Context.Sample = two }, ruling{delivered: 3, sample: 1}},
		"a sample lacks":    {func(a, _, _ *arrival) { a.Context.Sample = tie{} }, ruling{delivered: 3, sample: 1}},
		"a sample borrowed": {func(_, b, _ *arrival) { b.Context.Sample = one }, ruling{delivered: 3, sample: 1}},
		"not scanned":       {func(a, _, _ *arrival) { a.Context.Sample.By = "sent" }, ruling{delivered: 3, sample: 1}},
		"another person":    {func(a, _, _ *arrival) { a.Context.Person.ID = "P-12" }, ruling{delivered: 3, person: 1}},
		"a person borrowed": {func(_, _, c *arrival) { c.Context.Person = person }, ruling{delivered: 3, person: 1}},
		"persons lack":      {func(a, b, _ *arrival) { a.Context.Person, b.Context.Person = tie{}, tie{} }, ruling{delivered: 3, person: 2}},
	} {
		came := []arrival{came("a", "s/i/a/000001", "1.0"), came("a", "s/i/a/000002", "2.0"), came("a", "s/i/a/000003", "3.0")}
		came[0].Context.Person, came[0].Context.Sample, came[1].Context.Person = person, one, person
		c.alter(&came[0], &came[1], &came[2])
		if got := judge(truth, came); got != c.want {
			t.Errorf("%s: got %+v, want %+v", name, got, c.want)
		}
	}
}
