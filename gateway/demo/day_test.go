//go:build linux

package demo

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/configs"
	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// TestTheDemosProceduresHaveNoMistakes: a ready procedure that the demo could not adopt would end its day.
func TestTheDemosProceduresHaveNoMistakes(t *testing.T) {
	for _, name := range []string{seedMass, dryingLoss, netMass} {
		ready, err := configs.Procedures.ReadFile("procedures/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		text, err := demoVersion(name, string(ready))
		if err != nil {
			t.Fatal(err)
		}
		if def, err := procedure.Parse(name, []byte(text)); err != nil || def.Name != name {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// told is what the journal tells about the day.
type told struct {
	kind                 string
	Request, Balance, By struct{ ID, From string }

	Change, State, Step, Became, Why, Reason, Verdict, Act, Comment, Meaning string

	Report, About, Sum string

	Run       json.RawMessage // in entries about requests an id
	Procedure struct{ Name, Hash string }
	Weighing  struct{ ID string }
}

// hash is that of the text which a step was done by.
func (e told) hash() string {
	run := struct{ Procedure struct{ Hash string } }{}
	if json.Unmarshal(e.Run, &run) != nil {
		return ""
	}
	return run.Procedure.Hash
}

// TestADayAtTheSeedTestingBench has the day happen, and reads each of its sentences back from the closed journal.
func TestADayAtTheSeedTestingBench(t *testing.T) {
	const patient = 30 * time.Second // the day takes less than ten
	began := time.Now()
	l := &lab{o: Options{For: patient, Listen: "127.0.0.1:0", Balances: 1, Rate: 1, Say: t.Output()},
		options: gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)}}
	defer l.end()
	if err := l.set(t.Context()); err != nil {
		t.Fatal(err)
	}
	enough, over := context.WithCancel(t.Context())
	defer over()
	l.day.after = over
	if err := l.weigh(enough); err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	l.waitForArrival()
	if os.Getenv("WEIGHPOST_SHOTS") != "" {
		l.shoot(t)
	}
	if err := l.gateway.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	r, err := l.judge(t.Context(), took)
	if err != nil || r.Verdict() != nil || r.Runs != 3 || r.Requests != 5 || r.Answers != 3 {
		t.Fatalf("%v, verdict %v, %+v", err, r.Verdict(), r)
	}
	all := l.tells(t)
	for sentence, want := range daysSentences {
		n := 0
		for _, e := range all {
			if want.is(e) {
				n++
			}
		}
		if n != want.times {
			t.Errorf("%q is in the journal %d times, want %d", sentence, n, want.times)
		}
	}
	runsAreOfWhatWasAdopted(t, all)
	l.answersAreRight(t)
	l.reportIsThere(t, all)
	t.Logf("%d sentences of the day, in %.0f s", len(daysSentences), took.Seconds())
}

// runsAreOfWhatWasAdopted: whatever a run did, it did by the very text that somebody adopted before.
func runsAreOfWhatWasAdopted(t *testing.T, all []told) {
	t.Helper()
	adopted := map[string]bool{}
	steps := 0
	for _, e := range all {
		switch {
		case e.kind == "procedure-changed" && e.Change == record.ProcedureAdopted:
			adopted[e.Procedure.Hash] = true
		case e.kind == "run-step":
			steps++
			if hash := e.hash(); hash == "" || !adopted[hash] {
				t.Fatalf("the step %s is of a text with the hash %q, which nobody had adopted", e.Step, hash)
			}
		}
	}
	if len(adopted) != 3 || steps < 50 {
		t.Errorf("%d texts were adopted, and there are %d steps: this looks at the wrong things", len(adopted), steps)
	}
}

type sentence struct {
	times int
	is    func(told) bool
}

// daysSentences are what the day is to leave in the journal, and how often.
var daysSentences = map[string]sentence{
	"one person writes the procedures": {3, func(e told) bool {
		return e.kind == "procedure-changed" && e.Change == record.ProcedureWritten && e.By.ID == "r-sorrel"
	}},
	"another adopts them": {3, func(e told) bool {
		return e.kind == "procedure-changed" && e.Change == record.ProcedureAdopted && e.By.ID == "n-fennel" && e.Reason != ""
	}},
	"the dishes are registered": {4, func(e told) bool { return e.kind == "container-changed" && e.Change == record.ContainerRegistered }},
	"the lab system's requests come with its own key, each once": {5, func(e told) bool {
		return e.kind == "request-changed" && e.Change == record.RequestReceived && e.By.ID == labSystemID && e.Request.From == labSystemID
	}},
	"one request is moved to the front": {1, func(e told) bool {
		return e.kind == "request-changed" && e.Change == record.RequestChanged && e.Request.ID == askLater
	}},
	"one request is cancelled": {1, func(e told) bool {
		return e.kind == "request-changed" && e.Change == record.RequestCancelled && e.Request.ID == askNever
	}},
	"three requests are begun": {3, func(e told) bool { return e.kind == "request-changed" && e.Change == record.RequestBegun }},
	"a weighing is a step of a run": {3*3 + 8 + 3*2 + 1, func(e told) bool {
		return e.kind == "run-step" && e.Weighing.ID != "" && e.Became == record.StepTaken && strings.HasPrefix(e.Balance.ID, "s-")
	}},
	"a value out of its limits is weighed again": {1, func(e told) bool { return e.kind == "run-step" && strings.Contains(e.Reason, "draught shield") }},
	"and let go on by the reviewer, with a reason": {1, func(e told) bool {
		return e.kind == "run-step" && e.Became == record.StepAllowed && e.By.ID == "n-fennel" && e.Reason != ""
	}},
	"a dish of the shelf is stopped": {1, func(e told) bool {
		return e.Became == record.StepStopped && e.Why == "container DISH-09 is none of this run"
	}},
	"a dish that comes twice is stopped": {1, func(e told) bool {
		return e.Became == record.StepStopped && e.Why == "container DISH-01 is done already: the next one is wanted"
	}},
	"the run is put aside over the night": {1, func(e told) bool { return e.Became == record.RunPutAside && e.By.ID == "r-sorrel" }},
	"another person takes it over":        {1, func(e told) bool { return e.Became == record.RunHandedOver && e.By.ID == "t-yarrow" }},
	"and goes on at another balance":      {1, func(e told) bool { return e.Became == record.RunMoved && e.Balance.ID == benchRight }},
	"before the night the dishes are weighed at one": {6, func(e told) bool {
		return e.Weighing.ID != "" && e.Balance.ID == benchLeft && e.By.ID == "r-sorrel" && slices.Contains([]string{"dish_mass", "moist"}, e.Step)
	}},
	"after it at the other": {3, func(e told) bool {
		return e.Weighing.ID != "" && e.Balance.ID == benchRight && e.By.ID == "t-yarrow" && e.Step == "dry"
	}},
	"all three runs are complete": {3, func(e told) bool { return e.kind == "run-ended" && e.State == record.RunComplete }},
	"one of them is submitted, by whoever performed it": {2, func(e told) bool {
		return e.kind == "run-reviewed" && e.Act == record.ActSubmit && e.By.ID == "r-sorrel"
	}},
	"a reviewer returns it once": {1, func(e told) bool {
		return e.kind == "run-reviewed" && e.Act == record.ActReturn && e.By.ID == "n-fennel" && strings.Contains(e.Reason, "third replicate")
	}},
	"a replicate is excluded for a reason of the lab's list": {1, func(e told) bool {
		return e.kind == "run-corrected" && e.Change == record.CorrectExclude && e.By.ID == "r-sorrel" && e.Reason == "spilt" && e.Comment != ""
	}},
	"then she signs it": {1, func(e told) bool {
		return e.kind == "signature" && e.Meaning == record.MeansReviewed && e.By.ID == "n-fennel"
	}},
	"and approves it, and nobody else": {1, func(e told) bool {
		return e.kind == "run-reviewed" && e.Act == record.ActApprove && e.By.ID == "n-fennel"
	}},
	"then she issues its report": {1, func(e told) bool {
		return e.kind == "report-issued" && e.By.ID == "n-fennel"
	}},
	"what was let go on failed": {1, func(e told) bool { return e.kind == "run-ended" && e.Verdict == "failed" }},
}

// shoot keeps pictures of what the day left on the pages, for whoever wants to see them.
func (l *lab) shoot(t *testing.T) {
	t.Helper()
	s := chromium.Sit(t, time.Minute, l.gateway.PageURL())
	for _, path := range []string{"runs", "requests", "requests/" + labSystemID + "/" + askPackets, "containers", "procedures"} {
		s.Visit("/" + path)
		s.Shoot("demo-"+strings.ReplaceAll(path, "/", "-"), true)
	}
}

// tells reads the closed journal.
func (l *lab) tells(t *testing.T) (list []told) {
	t.Helper()
	err := journal.Scan(t.Context(), l.at.journal, 0, func(e record.Entry) error {
		switch e.Kind {
		case record.KindProcedureChanged, record.KindRunStep, record.KindRunEnded, record.KindRequestChanged, record.KindContainerChanged, record.KindRunReviewed,
			record.KindRunCorrected, record.KindSignature, record.KindReportIssued:
			one := told{kind: string(e.Kind)}
			if err := json.Unmarshal(e.JSON, &one); err != nil {
				return fmt.Errorf("%s: %w", e.JSON, err)
			}
			list = append(list, one)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// answersAreRight holds what came back to the lab system against what the simulated balances had on their pans, by plain arithmetic.
func (l *lab) answersAreRight(t *testing.T) {
	t.Helper()
	got := map[string]string{} // by request, name and sample
	for _, a := range l.day.system.back {
		for _, r := range a.Results {
			got[a.State+" "+a.Request.ID+" "+r.Name+" "+r.Item.Sample] = r.Digits + " " + r.Unit
			if a.Request.From != labSystemID || a.Request.Job == "" || a.Request.Fields["note"] != invented || a.Run == "" {
				t.Errorf("a result came back without the lab system's own words: %+v", a)
			}
			if short := a.Request.ID == askPackets && r.Item.Sample == packetLots[1]; short != (r.Verdict == "failed") || short != (r.Allowed != "") {
				t.Errorf("%s of %s has the verdict %s, allowed %q", r.Name, r.Item.Sample, r.Verdict, r.Allowed)
			}
		}
	}
	want := map[string]string{}
	for i, lot := range dryingLots {
		loss := 100 * float64(moistMass(i)-dryMass(i)) / float64(moistMass(i))
		want["complete "+askDrying+" loss "+lot] = strconv.FormatFloat(loss, 'f', 1, 64) + " %"
	}
	seeds := l.bench[0].truth[len(l.bench[0].truth)-8:] // the last that were weighed there
	var masses, without []int64
	for i, p := range seeds {
		parts, err := strconv.ParseInt(strings.Replace(p.digits, ".", "", 1), 10, 64)
		if whole, decimals, _ := strings.Cut(p.digits, "."); err != nil || whole == "" || len(decimals) != 4 || p.meant.sample.ID != seedLot {
			t.Fatalf("%+v is no replicate", p)
		}
		if masses = append(masses, parts); i != spiltAt {
			without = append(without, parts)
		}
	}
	want["complete "+askSeeds+" thousand "+seedLot] = thousand(masses)
	want["approved "+askSeeds+" thousand "+seedLot] = thousand(within(without))
	for key, value := range want {
		if got[key] != value {
			t.Errorf("%s came back as %q, want %q; all: %v", key, got[key], value, got)
		}
	}
}

// reportIsThere: the report lies in the folder of reports under its number, byte for byte as it was issued, and no other is there.
func (l *lab) reportIsThere(t *testing.T, all []told) {
	t.Helper()
	i := slices.IndexFunc(all, func(e told) bool { return e.kind == "report-issued" })
	if i < 0 || all[i].About != l.day.counted {
		t.Fatalf("no report of %s is issued", l.day.counted)
	}
	pdf, err := os.ReadFile(filepath.Join(l.at.reports, all[i].Report+".pdf"))
	if sum := sha256.Sum256(pdf); err != nil || hex.EncodeToString(sum[:]) != all[i].Sum || !strings.HasPrefix(string(pdf), "%PDF-") {
		t.Errorf("the file of %s: %v, %d bytes that begin with %.8q", all[i].Report, err, len(pdf), pdf)
	}
	if files, err := filepath.Glob(filepath.Join(l.at.reports, "*.pdf")); err != nil || len(files) != 1 {
		t.Errorf("in the folder of reports are %v, %v", files, err)
	}
}

// thousand is the mass of a thousand seeds by replicates of a hundred, in 0.1 mg each, as four digits of some 4 g: the mean of the replicates in 1 mg,
// half to even.
func thousand(masses []int64) string {
	n, sum := int64(len(masses)), int64(0)
	for _, m := range masses {
		sum += m
	}
	mean, rest := sum/n, sum%n
	if 2*rest > n || 2*rest == n && mean%2 == 1 {
		mean++
	}
	return fmt.Sprintf("%d.%03d g", mean/1000, mean%1000)
}

// within leaves out what is further than twice the standard deviation from the mean, as the procedure has it where there are not eight replicates.
func within(masses []int64) (list []int64) {
	n, sum, squares := float64(len(masses)), 0.0, 0.0
	for _, m := range masses {
		sum += float64(m)
	}
	for _, m := range masses {
		squares += (float64(m) - sum/n) * (float64(m) - sum/n)
	}
	for _, m := range masses {
		if math.Abs(float64(m)-sum/n) <= 2*math.Sqrt(squares/(n-1)) {
			list = append(list, m)
		}
	}
	return list
}
