package print

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

// slipsOf are the jobs that a printer got whole, without the mark of a copy.
func slipsOf(p *paper) (list []sinktest.Arrival) {
	for _, job := range p.printed() {
		list = append(list, sinktest.Arrival{Name: "slip", Body: []byte(strings.TrimPrefix(job, copyMark))})
	}
	return list
}

// TestAPrinterCutOffManyTimes has a printer that takes bytes over TCP go away in mid-job.
func TestAPrinterCutOffManyTimes(t *testing.T) {
	rounds, random := needs.Rounds(t, 10, 100)
	p := startPaper(t)
	c := Default()
	c.Way, c.Address, c.PageEnd, c.Timeout = Raw, p.address, "", strict.Duration(2*time.Second)
	entries := sinktest.Weighings(rounds*100, 5)
	amid := sinktest.Amid(t, open(t, c), entries, rounds, random, func(int) {
		p.set(func() { p.reset = true })
		time.Sleep(time.Duration(random.IntN(30)) * time.Millisecond)
		p.set(func() { p.reset = false })
	})
	sinktest.JudgeValues(entries, slipsOf(p)).Hold(t, "the printer cut off", rounds, amid, len(entries))
}
