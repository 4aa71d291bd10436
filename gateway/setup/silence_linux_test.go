package setup

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/port/pty"
)

// With a real driver on a pseudo-terminal: its far end gives back what it gets once the person has bridged it, then it prints;
// and a program that has locked the port is told.
func TestSilenceOnARealDriver(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	var echo sync.WaitGroup
	defer echo.Wait()
	defer master.Close()
	o := newLab()
	o.found.Device, o.found.Address = slave, slave
	s := &fitter{t: t, wire: &wire{}, answers: map[string]string{"self-test": bridged, "plug-in": answerDone}}
	s.do = map[string]func(){
		"self-test": func() { echo.Go(func() { giveBack(master) }) },
		"plug-in":   func() { _, _ = master.Write([]byte(printed)) },
	}
	r, err := Silence(t.Context(), Open, slave, s, SilenceOptions{Listen: 200 * time.Millisecond, System: o})
	if err != nil {
		t.Fatal(err)
	}
	t.Log(r.Text())
	if r.At != StepSelfTest || string(r.Bytes) != printed {
		t.Errorf("%+v", r)
	}
	for _, step := range r.Steps {
		if step.Name == StepSelfTest && step.Outcome == OutcomeSeen && step.Saw != loopSays[loopWhole] {
			t.Errorf("the self-test says %q", step.Saw)
		}
	}
	s = &fitter{t: t, wire: &wire{}}
	r, err = Silence(t.Context(), Open, slave, s, SilenceOptions{Listen: time.Millisecond, System: newLab()}) // which does not list it
	if err != nil || !strings.Contains(r.Text(), "A pseudo-terminal has no pins.") || slices.Contains(s.asked, "self-test") {
		t.Errorf("%v, %v, %s", err, s.asked, r.Text())
	}
	other, err := port.Config{Address: slave}.Open(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if r, err = Silence(t.Context(), Open, slave, Nobody{}, SilenceOptions{Listen: time.Millisecond, System: o}); err != nil || r.Cause != CauseHolder {
		t.Errorf("%v, %+v", err, r)
	}
}

// giveBack returns what it gets, until the terminal is closed. While nobody has the other end open, reading says EIO.
func giveBack(master *os.File) {
	buf := make([]byte, 256)
	for {
		n, err := master.Read(buf)
		_, _ = master.Write(buf[:n])
		if errors.Is(err, os.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(time.Millisecond)
		}
	}
}
