package setup

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"time"

	"weighpost/gateway/port"
)

// settleLines is how long modem lines may take to show a change: an adapter on USB reports at intervals of up to 16 ms (common
// practice, from memory), a device server over a network.
const settleLines = 150 * time.Millisecond

// speedsTested are those of the self-test: one that nearly every port is set to, and a slow one.
var speedsTested = []int{9600, 1200}

// bridged is the one answer that lets us send.
const bridged = "bridged"

// What the self-test can find.
const (
	loopUntested = ""
	loopWhole    = "whole"     // all came back, at each speed
	loopNothing  = "nothing"   // nothing came back
	loopDiffers  = "different" // something else came back
	loopTalks    = "talks"     // bytes came although nothing was sent
	loopSome     = "some"      // it went well at one speed only
	loopRefused  = "refused"   // the port did not take what was to be sent
)

// selfTest sends through the adapter and back. It is the one step that sends, and it does so only after the person has said that
// the balance is not at the other end.
func (w *walk) selfTest(ctx context.Context) error {
	const tried = "Tested the adapter with its pins 2 and 3 bridged."
	if w.known.kind == port.KindPseudo {
		w.skip(StepSelfTest, "A pseudo-terminal has no pins.")
		return nil
	}
	answer, err := w.ask(ctx, "self-test", "Unplug the cable from the adapter, so that the balance is not connected any more, and bridge the pins 2 and 3 of the adapter's plug "+
		"with a wire or a paper clip (of a plug with 9 or 25 pins; elsewhere those for receiving and sending). weighpost then sends a few bytes and looks whether they come back. Nothing must be connected but the bridge.",
		Choice{bridged, "the balance is unplugged, and the pins are bridged"})
	switch {
	case err != nil:
		return err
	case answer != bridged:
		w.skip(StepSelfTest, w.whySkipped())
		return nil
	}
	if err := w.loop(ctx); err != nil {
		return err
	}
	w.note(StepSelfTest, OutcomeSeen, tried, loopSays[w.known.loop])
	answer, err = w.ask(ctx, "plug-in", "Take the bridge out, plug the cable in again at both ends, and press print.", Choice{answerDone, "it is plugged in, and I pressed print"})
	if err != nil || answer != answerDone {
		return err
	}
	w.known.replugged = true
	return w.listens(ctx, StepSelfTest, "Had the cable plugged in again.")
}

var loopSays = map[string]string{
	loopWhole:   "All that was sent came back: the adapter, its driver and this computer's side work, as far as pins 2, 3 and their wires go.",
	loopNothing: "Nothing came back.",
	loopDiffers: "What came back is not what was sent.",
	loopTalks:   "Bytes came before anything was sent, so nothing was: something is still connected.",
	loopSome:    "What was sent came back at one speed, and not at another.",
	loopRefused: "The port did not take what was to be sent.",
}

// loop runs the self-test at each speed. A raw device server's speed is set there, so it gets one round.
func (w *walk) loop(ctx context.Context) error {
	w.close()
	speeds := speedsTested
	if w.fixed() {
		speeds = []int{0}
	}
	results := map[string]int{}
	for _, speed := range speeds {
		result, err := w.loopAt(ctx, speed)
		if err != nil {
			return err
		}
		results[result]++
		w.known.loop = result
		if result == loopTalks { // the balance may be there: no further byte goes out
			return nil
		}
	}
	if results[loopWhole] > 0 && results[loopWhole] < len(speeds) {
		w.known.loop = loopSome
	}
	return nil
}

// loopAt opens the port at a speed and sends once.
func (w *walk) loopAt(ctx context.Context, speed int) (string, error) {
	c := w.config
	if !w.fixed() {
		c.Speed, c.DataBits, c.Parity, c.StopBits = speed, 8, port.ParityNone, 1
	}
	p, err := w.open(ctx, c)
	if err != nil {
		return "", err
	}
	w.port = p // for hear, which reads from it
	defer w.close()
	if m, ok := p.(port.Modem); ok {
		_ = m.Purge() // what came while the plug was moved
	}
	if got, _, err := w.hear(ctx, min(quietBefore, w.listen)); err != nil || len(got) > 0 {
		return loopTalks, err
	}
	if w.port != p {
		return loopNothing, nil // it went away, and what hear opened instead is not to be sent to
	}
	text := loopText()
	if _, err := p.Write(text); err != nil {
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return loopRefused, nil
		}
		return loopNothing, nil
	}
	got, _, err := w.hear(ctx, min(w.listen, 2*time.Second))
	switch {
	case err != nil:
		return "", err
	case bytes.Equal(got, text):
		return loopWhole, nil
	case len(got) == 0:
		return loopNothing, nil
	}
	return loopDiffers, nil
}

// quietBefore is how long nothing may come before something is sent.
const quietBefore = 300 * time.Millisecond

// loopText is what is sent: bits that change at each place and bits that stay, and a part that is new each time, so that no
// old byte passes for an answer.
func loopText() []byte {
	fresh := make([]byte, 6)
	_, _ = rand.Read(fresh)
	return fmt.Appendf(nil, "UU@~weighpost %s~@UU\r\n", hex.EncodeToString(fresh))
}
