package demo

import "testing"

func came(balance, id, digits string) arrival {
	var a arrival
	a.ID, a.Balance.ID, a.Value.Digits, a.Value.Unit = id, balance, digits, "g"
	return a
}

// TestJudgeSeesEveryKindOfLoss shows that the demo's verdict can fail, each way it claims to.
func TestJudgeSeesEveryKindOfLoss(t *testing.T) {
	truth := map[string][]printed{"a": {{"1.0", "g"}, {"2.0", "g"}, {"2.0", "g"}}}
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
