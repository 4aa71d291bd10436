package guidedruns

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
)

// TestProceduresFromRequestToResult: one daemon and one browser, one procedure after the other.
func TestProceduresFromRequestToResult(t *testing.T) {
	l := newLab(t)
	s := sitDown(t, l)
	for _, one := range []struct {
		name string
		does func(*seat)
	}{{"thousand seeds, by the keyboard alone", thousandSeeds}, {"reviewed and signed", reviewed}, {"reported and delivered", reported}, {"outside its limits", outside}, {"over two days", twoDays}, {"a target", target},
		{"of the lab's own making", ownProcedure}, {"signed at a provider", signedElsewhere}, {"abandoned", abandoned}} {
		t.Run(one.name, func(t *testing.T) {
			s.For(t)
			l.t = t
			defer func() { l.t = l.was }()
			one.does(s)
		})
	}
	for _, e := range s.Said {
		t.Error("a script: ", e)
	}
}

// thousandSeeds: replicates of AOSA's Rules for Testing Seeds, appendix 4, twice, with 0.2424 g for the first: the first eight scatter by more than
// 4 %, so that eight more are weighed, and the first, further than twice the standard deviation from the mean, is left out (chapter 10 of the
// International Rules for Seed Testing, from memory). gateway/procedure/testdata/ready has the same by hand.
func thousandSeeds(s *seat) {
	s.l.adopts("thousand-seed-mass")
	s.l.request("R-1", "thousand-seed-mass", map[string]any{"items": []map[string]any{{"sample": "dimorphotheca"}}, "balance": "b-print"})
	s.is("ida")
	s.Visit("requests")
	s.TabTo(`a[href="/requests/lims/R-1"]`)
	s.shoot("requests")
	s.Leave("the request", func() { s.Keys(chromium.Enter) })
	s.Until(`document.querySelector("#begin-request button").disabled`, "false")
	s.TabTo("#begin-request button")
	s.shoot("request")
	s.Leave("the run", func() { s.Keys(chromium.Enter) })
	s.begun()
	s.shoot("scan")
	s.scans("Scan the lot", "dimorphotheca")
	s.enter("Put the empty dish on the pan")
	masses := strings.Fields("0.2424 0.2134 0.2130 0.2116 0.2145 0.2071 0.2116 0.2125 0.2224 0.2134 0.2130 0.2116 0.2145 0.2071 0.2116 0.2125")
	for i, grams := range masses {
		s.says("Count 100 seeds")
		of := "8"
		if i >= 8 {
			of = "16"
		}
		s.Shows(".progress", "time "+strconv.Itoa(i+1)+" of "+of)
		if i == 2 || i == 8 {
			s.shoot("replicate-" + strconv.Itoa(i+1))
		}
		s.l.scales["b-print"].prints(grams)
	}
	s.Shows(".outcome", "passed")
	s.Shows(".results", "2.127 g", "3.80 %")
	s.shoot("passed")
	e := s.ended("R-1", record.CheckPassed, result{"variation", "dimorphotheca", "3.80 %", record.CheckPassed}, result{"mean_mass", "dimorphotheca", "0.21265 g", record.NotJudged}, result{"thousand", "dimorphotheca", "2.127 g", record.NotJudged})
	if len(e.Weighings) != 16 || len(e.Unused) != 0 {
		s.T.Errorf("the results rest on %d weighings, and %d are unused", len(e.Weighings), len(e.Unused))
	}
	s.l.seeds = s.run
	for i, grams := range masses {
		s.attempt("replicate", i+1, record.StepTaken, grams+" g", "")
	}
}

// outside: two tins of a published report of a thousand-seed mass (net-by-tare.txt of gateway/procedure/testdata/ready), with at least 17 g asked
// for, which the second does not hold. The lab wants an investigation.
func outside(s *seat) {
	s.l.adopts("net-by-tare", "outside: repeat\n  repeats: 2", "outside: investigation")
	s.l.request("R-2", "net-by-tare", map[string]any{"items": []map[string]any{{"sample": "tin-1"}, {"sample": "tin-2"}}, "parameters": map[string]string{"least": "17 g"}})
	b := s.l.scales["b-print"]
	s.is("ida")
	s.begins("R-2", "b-print")
	s.stranger()
	s.scans("Scan the sample", "tin-1")
	s.does("Empty the pan")
	s.says("Weigh the empty container")
	b.prints("19.55")
	s.says("Fill the container")
	s.reasons("back", "the lid was on") // a step back: what was weighed stays, and does not count
	s.says("Weigh the empty container")
	s.Until(`document.getElementById("back").open`, "false")
	b.prints("15.95")
	s.says("Fill the container")
	s.cable(b, "33.05")
	s.scans("Scan the sample", "tin-2")
	s.does("Empty the pan")
	s.says("Weigh the empty container")
	b.prints("16.43")
	s.says("Fill the container")
	b.prints("33.38")
	s.Shows(".outside", "16.95 g", "17 g")
	s.shoot("outside")
	s.Lacks("#allow")
	s.Lacks("[data-main]")
	s.l.ask("ida", 403, "POST", "runs/"+s.run+"/act", map[string]any{"allow": "it is well", "ref": "INV-7"}, nil)
	s.is("rhea")
	s.Visit("runs/" + s.run)
	s.Shows(".run-acts", "Its verdict stays failed")
	if words := s.Words(".run-acts"); strings.Contains(words, "no right") {
		s.T.Errorf("whoever is to judge it is told %s", words)
	}
	s.Fill("#allow-why", "the lot holds no more: agreed with the customer")
	s.Click("#allow form .acts button")
	s.Shows("#wrong", "the reference of an investigation")
	s.Fill("#allow-ref", "INV-2026-7")
	s.shoot("allow")
	s.Click("#allow form .acts button")
	s.Shows(".outcome", "FAILED")
	s.Shows(".results", "17.10 g", "16.95 g", "agreed with the customer")
	s.shoot("failed")
	e := s.ended("R-2", record.CheckFailed, result{"net", "tin-1", "17.10 g", record.CheckPassed}, result{"net", "tin-2", "16.95 g", record.CheckFailed})
	if r := e.Results; len(r) == 2 && (r[0].Allowed != "" || !strings.Contains(r[1].Allowed, "agreed with the customer")) {
		s.T.Errorf("it went on because %q and %q", r[0].Allowed, r[1].Allowed)
	}
	if a := s.attempt("net", 2, record.StepAllowed, "", "agreed with the customer"); a.By.ID != "rhea" || a.Ref != "INV-2026-7" {
		s.T.Errorf("allowed by %+v under %q", a.By, a.Ref)
	}
	s.attempt("tare_mass", 1, record.StepTaken, "19.55 g", "")
	s.attempt("tare_mass", 1, record.StepReplaced, "", "the lid was on")
	s.attempt("tare_mass", 1, record.StepTaken, "15.95 g", "")
}

// stranger: whoever has no right to go on with a run is offered nothing, and the API refuses.
func (s *seat) stranger() {
	s.T.Helper()
	s.is("bert")
	s.Visit("runs/" + s.run)
	s.Shows(".run-acts", "Bert Sower is signed in here, and has no right to go on with it")
	s.Lacks(".run-acts button, .run-acts input")
	s.shoot("no-right")
	for _, act := range []map[string]any{{"scan": "tin-1"}, {"over": true}, {"abandon": "a test"}} {
		s.l.ask("bert", 403, "POST", "runs/"+s.run+"/act", act, nil)
	}
	s.l.ask("bert", 403, "POST", "runs", map[string]any{"procedure": "net-by-tare"}, nil)
	if n := len(s.steps()); n != 0 {
		s.T.Errorf("%d attempts are in the journal: %s", n, s.told())
	}
	s.is("ida")
	s.Visit("runs/" + s.run)
}

// cable: it is pulled in the midst of a run and put back. The page says so. Nothing that is weighed then counts before the label of the balance was
// scanned, since it may be another one; and then the run goes on where it was.
func (s *seat) cable(b *scale, grams string) {
	s.T.Helper()
	b.pull()
	s.Shows("[data-part=run-head]", "The balance cannot be heard now")
	s.shoot("cable-pulled")
	b.plug()
	s.Until(`document.querySelector("[data-part=run-head]").innerText.includes("cannot be heard")`, "false")
	time.Sleep(300 * time.Millisecond) // of silence: the line is heard from its beginning
	b.prints(grams)
	s.Shows(".stopped-line", "is not confirmed since its line was lost: scan its label")
	s.shoot("which-balance")
	s.Enters("BENCHPOSTATb-asked")
	s.Shows("#wrong", "That is the label of b-asked")
	time.Sleep(1100 * time.Millisecond) // the same digits within a second would be the key pressed twice
	s.Enters("BENCHPOSTATb-print")
	s.Shows("#wrong", "This is the balance b-print")
	b.prints(grams)
}

// twoDays: the published table of three cans of soil (loss-on-drying-soil.txt of gateway/procedure/testdata/ready), and a fourth that breaks in the
// oven; the drying takes two seconds here. The losses on the wet basis are worked out by hand: (43.52 − 39.86)/(43.52 − 17.31) = 13.96 %,
// 4.58/33.27 = 13.77 %, 3.30/23.36 = 14.13 %; mean 13.95 %, and 0.36 % apart.
func twoDays(s *seat) {
	s.l.adopts("loss-on-drying", "for: 16h", "for: 2s")
	s.l.ask("ada", 200, "POST", "containers", map[string]any{"sort": "can", "containers": []map[string]any{{"id": "can-1"}, {"id": "can-2"}, {"id": "can-3"}, {"id": "can-4"}, {"id": "can-9"}}}, nil)
	s.l.request("R-3", "loss-on-drying", map[string]any{"items": []map[string]any{{"sample": "soil-a", "container": "can-1"}, {"sample": "soil-b", "container": "can-2"},
		{"sample": "soil-c", "container": "can-3"}, {"sample": "soil-d", "container": "can-4"}}})
	s.firstDay()
	s.l.restart()
	s.secondDay()
	s.Shows(".outcome", "passed, 1 of 4 left out") // what the verdict says nothing of stands beside it
	s.Shows(".results", "16.2 %", "14.0 %", "left out: can-4 broke in the oven")
	s.Shows(".left-out", "soil-d in can-4", "can-4 broke in the oven")
	s.shoot("two-days")
	a, b, c, d := "soil-a can-1", "soil-b can-2", "soil-c can-3", "soil-d can-4"
	e := s.ended("R-3", record.CheckPassed,
		result{"loss", a, "14.0 %", record.CheckPassed}, result{"loss", b, "13.8 %", record.CheckPassed}, result{"loss", c, "14.1 %", record.CheckPassed}, result{"loss", d, "", record.NotJudged},
		result{"dry_basis", a, "16.2 %", record.NotJudged}, result{"dry_basis", b, "16.0 %", record.NotJudged}, result{"dry_basis", c, "16.5 %", record.NotJudged}, result{"dry_basis", d, "", record.NotJudged},
		result{"mean_loss", "", "14.0 %", record.CheckPassed}, result{"mean_dry_basis", "", "16.2 %", record.NotJudged}, result{"spread", "", "0.4 %", record.CheckPassed})
	for _, left := range [][]record.RunLeft{e.LeftOut, s.l.delivered("R-3").LeftOut} {
		if len(left) != 1 || left[0].Item.Sample != "soil-d" || left[0].Reason != "can-4 broke in the oven" {
			s.T.Errorf("left out are %v", left)
		}
	}
	if strings.Join(e.People, " ") != "ida ivo" || strings.Join(e.Balances, " ") != "b-print b-asked" {
		s.T.Errorf("it was performed by %v at %v", e.People, e.Balances)
	}
}

func (s *seat) firstDay() {
	b := s.l.scales["b-print"]
	s.is("ida")
	s.begins("R-3", "b-print")
	const dish, filled = "Scan a dish that was dried", "Scan the next dish"
	s.stopped(dish, "can-9", "can-9")
	s.stopped(dish, "can-7", "can-7")
	for i, one := range []struct{ can, grams string }{{"can-2", "18.92"}, {"can-1", "17.31"}, {"can-3", "16.07"}, {"can-4", "17.00"}} {
		if i == 1 {
			s.stopped(dish, "can-2", "is done already")
			s.shoot("done-already")
		}
		s.scans(dish, one.can)
		s.says("Weigh the empty dish")
		b.prints(one.grams)
	}
	for i, one := range []struct{ can, sample, grams string }{{"can-1", "soil-a", "43.52"}, {"can-2", "soil-b", "52.19"}, {"can-3", "soil-c", "39.43"}, {"can-4", "soil-d", "40.00"}} {
		s.scans(filled, one.can)
		if i == 1 {
			s.stopped("sample", "soil-a", "soil-a")
		}
		s.scans("sample", one.sample)
		s.says("Spread the sample")
		b.prints(one.grams)
	}
	s.answers("Read the oven's thermometer", "105")
	s.says("The samples dry")
	s.shoot("drying")
	s.Click("#leave-here > summary")
	s.Click(`[data-act='{"aside":true}']`)
	s.Until("document.getElementById('run').dataset.balance + '.'", ".")
}

// secondDay: another person takes the run over, at another balance.
func (s *seat) secondDay() {
	b := s.l.scales["b-asked"]
	s.is("ivo")
	s.Visit("runs")
	s.shoot("runs")
	s.Sends(`a[href="/runs/` + s.run + `"]`)
	s.Shows(".run-acts", "Ida Sower performs this run")
	s.shoot("take-over")
	s.l.ask("ivo", 409, "POST", "runs/"+s.run+"/act", map[string]any{"done": true}, nil)
	s.Click(`[data-act='{"over":true}']`)
	s.does("Close the lids")
	const back = "Scan the next dish"
	for i, one := range []struct{ can, grams string }{{"can-2", "47.61000"}, {"can-1", "39.86000"}, {"can-3", "36.13000"}} {
		s.scans(back, one.can)
		if i == 0 {
			s.says("Weigh the dish with its lid")
			s.Choose("#at", "b-asked")
			s.shoot("at-no-balance")
			s.Sends(`form[data-field="at"] button`)
		}
		b.puts(one.grams)
		s.weighs("Weigh the dish with its lid", one.grams)
		if i == 1 {
			s.stopped(back, "can-2", "is done already")
			s.stopped(back, "can-9", "can-9")
		}
	}
	s.says(back)
	s.Shows(".progress", "1 left", "soil-d in can-4")
	s.l.ask("ivo", 409, "POST", "runs/"+s.run+"/act", map[string]any{"done": true}, nil)
	s.shoot("one-is-missing")
	s.reasons("leave", "can-4 broke in the oven")
}

// weighs has the weight taken by the large button, once the page shows it.
func (s *seat) weighs(say, shown string) {
	s.T.Helper()
	s.says(say)
	s.Shows("#digits", shown)
	s.Click("[data-main]")
}

// target: example A1 of the EURACHEM/CITAC Guide CG 4 (QUAM): 100.28 mg of cadmium of 99.99 % in 100 mL are 1002.7 mg/L. What is wanted for 1 g/L is
// 100 mg/0.9999 = 100.010001 mg, and with 1 % 99.0099 to 101.0101 mg pass. The mass of the vessel is invented.
func target(s *seat) {
	s.l.adopts("solution-by-mass")
	s.l.request("R-4", "solution-by-mass", map[string]any{"items": []map[string]any{{"sample": "Cd-1000"}},
		"parameters": map[string]string{"concentration": "1 g/L", "volume": "100 mL", "purity": "99.99 %", "tolerance": "1 %"}})
	b := s.l.scales["b-asked"]
	s.is("ida")
	s.begins("R-4", "b-asked")
	s.scans("Scan the label", "Cd-1000")
	s.scans("Scan the container of the substance", "cadmium-lot-7")
	s.does("Empty the pan")
	b.puts("20.00000")
	s.weighs("Weigh the empty weighing vessel", "20.00000")
	s.says("Add the substance")
	seen := map[string]string{}
	for _, one := range []struct{ shown, is, word, net string }{
		{"20.05000", "under", "too little", "0.05000 g"}, {"20.09900", "under", "too little", "0.09900 g"}, {"20.09902", "within", "within", "0.09902 g"},
		{"20.10102", "over", "too much", "0.10102 g"}, {"20.10028", "within", "within", "0.10028 g"},
	} {
		b.puts(one.shown)
		s.Until(`document.getElementById("aim").dataset.is + "|" + document.querySelector(".aim-now").innerText + "|" + document.querySelector("[data-of=net]").innerText`, one.is+"|", one.word, one.net)
		shape := s.Says(`document.querySelector(".aim-shape use").getAttribute("href")`)
		if was := seen[one.is]; was != "" && was != shape {
			s.T.Errorf("%s is %s, and was %s", one.is, shape, was)
		}
		seen[one.is] = shape
		s.shoot(one.is)
	}
	if seen["under"] == seen["within"] || seen["within"] == seen["over"] || seen["under"] == seen["over"] {
		s.T.Errorf("the shapes are %v", seen)
	}
	s.weighs("Add the substance", "20.10028")
	s.does("Bring all of it into the flask of 100 mL")
	s.answers("Read the thermometer", "20.5")
	s.Shows(".outcome", "passed")
	s.Shows(".results", "1002.7 mg/L")
	s.shoot("solution")
	s.ended("R-4", record.CheckPassed, result{"reached", "Cd-1000", "1002.7 mg/L", record.CheckPassed}, result{"taken", "Cd-1000", "0.10028 g", record.CheckPassed})
	s.attempt("substance", 0, record.StepTaken, "cadmium-lot-7", "")
}

// abandoned: a run ends without results, for a reason, once it was asked for twice. The lab system is told, and may send it again under another id.
func abandoned(s *seat) {
	s.l.adopts("thousand-seed-mass")
	s.l.request("R-5", "thousand-seed-mass", map[string]any{"items": []map[string]any{{"sample": "orchid"}}})
	s.is("ida")
	s.begins("R-5", "b-print")
	s.scans("Scan the lot", "orchid")
	s.says("Put the empty dish")
	s.reasons("end", "the sample is spoilt")
	s.Shows("#end .sure", "It cannot be taken up again")
	s.shoot("abandon")
	s.Click("[data-sure-no]")
	s.says("Put the empty dish")
	s.reasons("end", "the sample is spoilt")
	s.Click("[data-sure-yes]")
	s.Shows(".outcome", "abandoned", "the sample is spoilt")
	s.shoot("abandoned")
	var v console.RequestView
	s.l.ask("lims", 200, "GET", "requests/lims/R-5", nil, &v)
	if v.State != record.RequestAbandoned || len(v.Results) != 0 || !strings.Contains(v.Reason, "the sample is spoilt") {
		s.T.Errorf("the lab system is told %+v", v)
	}
	s.l.ask("ida", 409, "POST", "runs/"+s.run+"/act", map[string]any{"done": true}, nil)
}
