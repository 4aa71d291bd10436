package tcpout

import (
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// TestAProgramThatGoesAwayInMidWrite cuts the program off again and again; it acknowledges each line that it has read.
func TestAProgramThatGoesAwayInMidWrite(t *testing.T) {
	rounds, random := needs.Rounds(t, 10, 50)
	c := config(needs.FreeAddress(t))
	p := startProgram(t, c.Listen, c.Acknowledge)
	entries := sinktest.Weighings(rounds*60, 5)
	amid := sinktest.Amid(t, open(t, c), entries, rounds, random, func(int) {
		p.change(func() { p.away = true })
		time.Sleep(time.Duration(random.IntN(20)) * time.Millisecond)
		p.change(func() { p.away = false })
	})
	sinktest.JudgeValues(entries, p.received()).Hold(t, "the program cut off", rounds, amid, len(entries))
}

// TestThroughABadNetwork delays, resets, cuts and closes what goes between sink and program.
func TestThroughABadNetwork(t *testing.T) {
	rounds, random := needs.Rounds(t, 8, 100)
	c := config(needs.FreeAddress(t))
	between := toxic.Start(t, c.Listen)
	c.AcknowledgeWithin /= 10
	s := open(t, c)
	p := startProgram(t, between.Addr(), c.Acknowledge)
	entries := sinktest.Weighings(rounds*60, 5)
	amid := sinktest.Amid(t, s, entries, rounds, random, func(round int) {
		mend := between.Fault(t, round, random)
		time.Sleep(time.Duration(10+random.IntN(100)) * time.Millisecond)
		mend()
	})
	sinktest.JudgeValues(entries, p.received()).Hold(t, "a bad network", rounds, amid, len(entries))
}
