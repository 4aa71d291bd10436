package port

import (
	"errors"
	"fmt"
	"os"
	"time"
)

// modemAnswer is how long a server may take to say how its modem lines are. Not every server answers that question: those
// that do not tell of each change by themselves.
const modemAnswer = 500 * time.Millisecond

// Lines asks the server how the modem lines are. If it does not answer, what it told last holds; of DTR and RTS it is what was
// confirmed last. A server that never told anything has no modem lines for us.
func (r *rfc2217) Lines() (Lines, error) {
	r.mu.Lock()
	before := r.state.modems
	r.mu.Unlock()
	now := time.Now()
	if _, err := r.send(appendNegotiation(nil, optionComPort, comModemState), now.Add(r.cfg.WriteTimeout.D())); err != nil {
		return Lines{}, err
	}
	err := r.await(now.Add(modemAnswer), func() bool { return r.state.modems > before })
	if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
		return Lines{}, err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.state.modems == 0 {
		return Lines{}, ErrNoModem
	}
	return r.state.lines(), nil
}

// SetDTR has the server switch data terminal ready, and waits until it says so.
func (r *rfc2217) SetDTR(on bool) error {
	value := byte(controlDTROff)
	if on {
		value = controlDTROn
	}
	return r.switchLine("DTR", value, func() (byte, uint64) { return r.state.dtr, r.state.dtrs })
}

// SetRTS does so for RTS, unless the server moves that by itself.
func (r *rfc2217) SetRTS(on bool) error {
	if r.cfg.Flow == FlowRTSCTS {
		return ErrRTSTaken
	}
	value := byte(controlRTSOff)
	if on {
		value = controlRTSOn
	}
	return r.switchLine("RTS", value, func() (byte, uint64) { return r.state.rts, r.state.rtss })
}

// switchLine sends a SET-CONTROL and waits for what the server says to it. Answers to what was asked before may still be on
// their way, so that the last word counts.
func (r *rfc2217) switchLine(name string, value byte, told func() (byte, uint64)) error {
	r.mu.Lock()
	_, before := told()
	r.mu.Unlock()
	limit := time.Now().Add(r.cfg.DialTimeout.D())
	if _, err := r.send(appendNegotiation(nil, optionComPort, comControl, value), limit); err != nil {
		return err
	}
	var answered bool
	err := r.await(limit, func() bool {
		is, n := told()
		answered = n > before
		return answered && is == value
	})
	switch {
	case !errors.Is(err, os.ErrDeadlineExceeded):
		return err
	case answered:
		return fmt.Errorf("the device server at %s did not switch %s as asked", r.cfg.Address, name)
	}
	return fmt.Errorf("the device server at %s has not said within %s whether it switched %s", r.cfg.Address, r.cfg.DialTimeout, name)
}

// Purge has the server throw away what it holds in both directions, and does so with what was received and not read yet.
func (r *rfc2217) Purge() error {
	r.mu.Lock()
	before := r.state.answers[comPurge]
	r.mu.Unlock()
	limit := time.Now().Add(r.cfg.DialTimeout.D())
	if _, err := r.send(appendNegotiation(nil, optionComPort, comPurge, comPurgeBoth), limit); err != nil {
		return err
	}
	err := r.await(limit, func() bool {
		if r.state.answers[comPurge] == before {
			return false
		}
		r.have = r.have[:0]
		r.found.damaged, r.found.breaks = r.found.damaged[:0], r.found.breaks[:0]
		return true
	})
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return fmt.Errorf("the device server at %s has not said within %s whether it threw away what it held", r.cfg.Address, r.cfg.DialTimeout)
	}
	return err
}
