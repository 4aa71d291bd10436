package screens

import (
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

type benches struct{}

func (benches) BalanceOf(string) (string, string) { return "", "" }
func (benches) Beginnings(string) []console.Beginning {
	return []console.Beginning{{Prefix: "P-", Badge: true, Strip: true}, {Prefix: `"<LOT`, Strip: false}}
}

func benchLab(t *testing.T, conditions conditions, context ...record.ContextHeld) *lab {
	return newLab(t, Deps{Benches: benches{}, Conditions: conditions, Source: source{balances: []console.Balance{
		{ID: "b-12", Serial: "SB-4410", Place: "sorting <room>", Identity: "confirmed", PortUp: true, Context: context}, {ID: "b-13", Identity: "unconfirmed", PortUp: true}}}})
}

// TestWhatABenchScreenOffersGoesByWhoLooks: a visitor, and whoever may not weigh here, sees the same screen without what acts.
func TestWhatABenchScreenOffersGoesByWhoLooks(t *testing.T) {
	l := benchLab(t, nil)
	elsewhere := as(rights.Operator)
	elsewhere.Balances = []string{"b-13"}
	for name, c := range map[string]struct {
		who rights.Who
		may bool
	}{"visitor": {as(""), false}, "operator": {as(rights.Operator), true}, "reviewer": {as(rights.Reviewer), false}, "at another bench": {elsewhere, false}} {
		status, body := l.get(t, "/bench/b-12", c.who)
		if status != 200 || strings.Contains(body, `data-step=`) != c.may || !strings.Contains(body, `id="digits"`) {
			t.Errorf("%s: %d, acts %v", name, status, strings.Contains(body, `data-step=`))
		}
		if strings.Contains(body, "<room>") || strings.Contains(body, `"<LOT`) {
			t.Errorf("%s: words from outside are markup", name)
		}
	}
	if status, body := l.get(t, "/bench/b-99", as(rights.Operator)); status != 404 || !strings.Contains(body, "b-99") {
		t.Errorf("%d", status)
	}
}

// TestABenchScreenSaysWhatToDoNext, already as it comes.
func TestABenchScreenSaysWhatToDoNext(t *testing.T) {
	one := 2
	ada := record.ContextHeld{Name: "person", ID: "ada", Person: "Ada Quill", By: "signed-in"}
	lot := record.ContextHeld{Name: "sample", ID: "LOT-7", By: "scanned", Uses: &one}
	full := conditions{{Code: health.ReadingsNotRecorded, Subject: "b-12", Severity: health.Error, Sentence: "The disk is <full>."}}
	for _, c := range []struct {
		lab  *lab
		path string
		role string
		want []string
	}{
		{benchLab(t, nil), "/bench/b-12", "", []string{"This screen only shows."}},
		{benchLab(t, nil), "/bench/b-12", rights.Operator, []string{"Scan your badge."}},
		{benchLab(t, nil), "/bench/b-13", rights.Operator, []string{"Scan the label of the balance"}},
		{benchLab(t, nil, ada), "/bench/b-12", rights.Operator, []string{"Scan the sample.", "Ada Quill"}},
		{benchLab(t, nil, ada, lot), "/bench/b-12", rights.Operator, []string{"Put the sample on", "LOT-7", "for 2 more"}},
		{benchLab(t, full, ada, lot), "/bench/b-12", rights.Operator, []string{"Write each weight down by hand", `role="alert">`, "The disk is &lt;full&gt;."}},
	} {
		_, body := c.lab.get(t, c.path, as(c.role))
		for _, w := range c.want {
			if !strings.Contains(body, w) {
				t.Errorf("%s as %q does not say %q", c.path, c.role, w)
			}
		}
		if hidden := strings.Contains(body, `role="alert" hidden>`); hidden != (c.want[0] != "Write each weight down by hand") {
			t.Errorf("%q: the alarm is hidden: %v", c.want, hidden)
		}
	}
}

func TestCardsAndLabelsHaveTheirBarcodes(t *testing.T) {
	l := benchLab(t, nil)
	_, body := l.get(t, "/bench/cards", as(""))
	for _, step := range []string{record.StepNext, record.StepRepeat, record.StepAbandon, record.CardYes, record.CardSignOut} {
		if code := record.CardCode(step); !strings.Contains(body, code) || !strings.Contains(body, "Barcode "+code) {
			t.Errorf("there is no card %s", code)
		}
	}
	_, body = l.get(t, "/balances/b-12/label", as(""))
	for _, w := range []string{record.LabelCode("b-12"), "SB-4410", "sorting &lt;room&gt;", "<path d=\"M10 0h"} {
		if !strings.Contains(body, w) {
			t.Errorf("the label does not have %q", w)
		}
	}
	if status, _ := l.get(t, "/balances/b-99/label", as("")); status != 404 {
		t.Errorf("%d", status)
	}
}

func TestWhereAScreenIsPutAtABalance(t *testing.T) {
	_, body := benchLab(t, nil).get(t, "/bench", as(""))
	for _, w := range []string{`data-bind="b-12"`, `data-bind="b-13"`, `id="code"`, "/bench/cards", "/balances/b-12/label"} {
		if !strings.Contains(body, w) {
			t.Errorf("there is no %q", w)
		}
	}
	if _, body := newLab(t, Deps{}).get(t, "/bench", as("")); !strings.Contains(body, `href="/add"`) {
		t.Error("without a balance it does not say what to do first")
	}
}

// widths are the element widths of Code 128's start B and stop patterns, and of the letter B (ISO/IEC 15417, table 1).
func TestBarsAreCode128(t *testing.T) {
	b, err := bars("B")
	if err != nil {
		t.Fatal(err)
	}
	// Start B 211214, B (value 34) 131123, check (104+34) mod 103 = 35 -> 131321, stop 2331112, behind a quiet zone of 10 modules.
	want := "M10 0h2v42h-2zM13 0h1v42h-1zM16 0h1v42h-1zM21 0h1v42h-1zM25 0h1v42h-1zM27 0h2v42h-2zM32 0h1v42h-1zM36 0h1v42h-1zM40 0h2v42h-2zM43 0h2v42h-2zM48 0h3v42h-3zM52 0h1v42h-1zM54 0h2v42h-2z"
	if b.Width != 20+3*11+13 || b.Path != want {
		t.Errorf("%d %s", b.Width, b.Path)
	}
}
