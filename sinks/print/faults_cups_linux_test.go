package print

import (
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks/sinktest"
)

// TestAPrintServerKilledManyTimes kills cupsd in mid-write, and starts it again. Everything that was acknowledged is on paper.
func TestAPrintServerKilledManyTimes(t *testing.T) {
	rounds, random := needs.Rounds(t, 2, 50)
	s := startSpooler(t)
	c := Default()
	c.Way, c.URL, c.Type, c.PageEnd = IPP, "ipp://"+s.address+"/printers/lab", "application/vnd.cups-raw", ""
	entries := sinktest.Weighings(rounds*5, 3)
	amid := sinktest.Amid(t, open(t, c), entries, rounds, random, func(int) {
		time.Sleep(time.Duration(random.IntN(300)) * time.Millisecond)
		s.kill(t)
		s.start(t)
	})
	sinktest.JudgeValues(entries, slipsOf(s.printer)).Hold(t, "the print server killed", rounds, amid, len(entries))
}
