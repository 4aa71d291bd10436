//go:build linux

package demo

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// TestDemoSaysWhatIsMissing runs the whole lab, takes one weighing away behind a sink, alters another, and puts the sample of
// one on another, and has the verdict say so: a demo that cannot fail would show nothing.
func TestDemoSaysWhatIsMissing(t *testing.T) {
	l := &lab{o: Options{For: 3 * time.Second, Listen: "127.0.0.1:0", Balances: 4, Rate: 5, Say: io.Discard}}
	defer l.end()
	if err := l.set(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := l.weigh(t.Context()); err != nil {
		t.Fatal(err)
	}
	l.waitForArrival()
	failed, _ := l.gateway.FitnessOf(cornerFailed)
	due, _ := l.gateway.FitnessOf(cornerDue)
	if failed.Fitness.State != record.OutOfService || len(failed.Failures) != 1 || len(due.Checks) == 0 || due.Checks[0].Outcome != record.CheckPassed || due.Schedule[0].State != record.CheckDue {
		t.Errorf("the check corner: %s after %d failures; %d checks of the other, whose schedule is %+v", failed.Fitness.State, len(failed.Failures), len(due.Checks), due.Schedule)
	}
	if err := l.gateway.Stop(t.Context()); err != nil {
		t.Fatal(err)
	}
	whole, err := l.judge(t.Context(), time.Second)
	if err != nil || whole.Verdict() != nil || whole.Printed < 10 || whole.WithSample < 4 || whole.WithPerson < 2 {
		t.Fatalf("before anything is taken away: %v %v %+v", err, whole.Verdict(), whole)
	}
	moveSample(t, l, whole)
	files := jsonFiles(t, l.at.folder)
	if err := os.Remove(files[0]); err != nil {
		t.Fatal(err)
	}
	l.http.arrivals[0].Value.Digits += "1"
	l.files.arrivals = nil
	less, err := l.judge(t.Context(), time.Second)
	if err != nil || less.Lost != 2 || less.Strange != 1 || less.Verdict() == nil {
		t.Errorf("one file removed and one value altered: %v, verdict %v, %+v", err, less.Verdict(), less)
	}
	if less.Sinks["files"].Delivered != whole.Printed-1 {
		t.Errorf("%d files counted of %d", less.Sinks["files"].Delivered, whole.Printed-1)
	}
}

// moveSample alters one scanned sample behind the broker, has that judged, and puts it back.
func moveSample(t *testing.T, l *lab, whole Report) {
	t.Helper()
	i := slices.IndexFunc(l.mqtt.arrivals, func(a arrival) bool { return a.Context.Sample.By == record.ByScanned })
	if i < 0 {
		t.Fatal("nothing with a scanned sample came from the broker")
	}
	sample := &l.mqtt.arrivals[i].Context.Sample
	kept := *sample
	defer func() { *sample, l.files.arrivals = kept, nil }()
	sample.ID, l.files.arrivals = "LOT-0000", nil
	wrong, err := l.judge(t.Context(), time.Second)
	if err != nil || wrong.WrongSample != 1 || wrong.Lost != 0 || wrong.WithSample != whole.WithSample {
		t.Errorf("one sample altered: %v, %+v", err, wrong)
	}
	if v := wrong.Verdict(); v == nil || !strings.Contains(v.Error(), "1 weighings carry another sample") {
		t.Errorf("one sample altered: the verdict is %v", v)
	}
}

func jsonFiles(t *testing.T, dir string) (list []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(name) == ".json" {
			list = append(list, name)
		}
		return err
	})
	if err != nil || len(list) == 0 {
		t.Fatalf("%d files, %v", len(list), err)
	}
	return list
}

// TestEveryModelPrintsWhatItsLayoutReads: a model whose values its layout cannot print would end the demo.
func TestEveryModelPrintsWhatItsLayoutReads(t *testing.T) {
	list, err := newBalances(len(models), 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range list {
		b.wire = io.Discard
		for range 1000 {
			b.number++
			if err := b.send(b.values(b.draw(), layout.Stable)); err != nil {
				t.Fatalf("%s: %v", b.model.layout, err)
			}
		}
	}
}
