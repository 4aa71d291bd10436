package port

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
)

// secondThoughts is how long a server may take to correct what it said of a setting: some tell what was set before first.
const secondThoughts = 500 * time.Millisecond

// negotiate agrees with the server on the option and on bytes that pass unchanged, sets the line, and waits until each setting
// is confirmed. What comes before that was read with settings that nobody knows, and is dropped: a beginning that is missing
// is the handler's to notice, as with every port that is opened in the middle of a line.
func (r *rfc2217) negotiate(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { r.Close() })
	defer stop()
	limit := time.Now().Add(r.cfg.DialTimeout.D())
	r.mu.Lock()
	hello := r.options.ask()
	r.mu.Unlock()
	if _, err := r.send(hello, limit); err != nil {
		return err
	}
	if err := r.agree(limit); err != nil {
		return err
	}
	if err := r.set(limit); err != nil {
		return err
	}
	_, err := r.send(r.wishes(), limit)
	return err
}

// agree waits for the options.
func (r *rfc2217) agree(limit time.Time) error {
	var refusal string
	err := r.await(limit, func() bool {
		refusal = r.options.refusal()
		return refusal != "" || r.options.comPort() && r.options.binary()
	})
	switch {
	case refusal != "":
		return r.cfg.noCom(refusal)
	case errors.Is(err, os.ErrDeadlineExceeded):
		return r.cfg.noCom(fmt.Sprintf("it does not answer to Telnet and RFC 2217 within %s", r.cfg.DialTimeout))
	}
	return r.cfg.comFault(err)
}

// set sets the line, and waits for the server to confirm each setting. From then on what comes is the balance's.
func (r *rfc2217) set(limit time.Time) error {
	r.mu.Lock()
	r.state.values = newComState().values // what it said unasked is no answer
	r.mu.Unlock()
	if _, err := r.send(r.want.appendSettings(nil), limit); err != nil {
		return err
	}
	var missing, other string
	look := func() bool {
		missing, other = r.state.values.unconfirmed(), r.state.values.differs(r.want)
		r.settled = missing == "" && other == ""
		return missing == ""
	}
	err := r.await(limit, look)
	if err == nil && other != "" {
		err = r.await(time.Now().Add(secondThoughts), func() bool { return look() && other == "" })
	}
	switch {
	case err != nil && !errors.Is(err, os.ErrDeadlineExceeded):
		return r.cfg.comFault(err)
	case other != "":
		return &Trouble{Code: CodeRefused, Sentence: fmt.Sprintf("The device server at %s has set %s.", r.cfg.Address, other),
			Remedy: "Set what the device server can do, at the balance and in the configuration, or use another device server. weighpost tries again by itself."}
	case missing != "":
		return &Trouble{Code: CodeRefused, Sentence: fmt.Sprintf("The device server at %s has not confirmed %s within %s.", r.cfg.Address, missing, r.cfg.DialTimeout),
			Remedy: fmt.Sprintf("Set dial_timeout to more if it is slow; or set the line at the device server and use %s as the address. weighpost tries again by itself.", r.cfg.asTCP())}
	}
	return nil
}

// wishes are what need not be confirmed: which errors and modem lines we want to hear of, our own lines on as every port has
// them when it is opened, and what the server calls itself.
func (r *rfc2217) wishes() []byte {
	w := appendNegotiation(nil, optionComPort, comLineMask, lineErrors|lineBreak)
	w = appendNegotiation(w, optionComPort, comModemMask, 0xFF)
	w = appendNegotiation(w, optionComPort, comControl, controlDTROn)
	if r.cfg.Flow != FlowRTSCTS { // then RTS belongs to the server
		w = appendNegotiation(w, optionComPort, comControl, controlRTSOn)
	}
	return appendNegotiation(w, optionComPort, comSignature)
}

// asTCP is the address for a server whose line is set there.
func (c Config) asTCP() string { return tcpScheme + strings.TrimPrefix(c.Address, rfc2217Scheme) }

// noCom is the trouble of a server that is no server of RFC 2217.
func (c Config) noCom(why string) *Trouble {
	return &Trouble{Code: CodeRefused, Sentence: fmt.Sprintf("weighpost cannot set the serial line of the device server at %s: %s.", c.Address, why),
		Remedy: fmt.Sprintf("Switch RFC 2217 on at the device server. Or set speed, data bits and parity there, and use %s as the address.", c.asTCP())}
}

// comFault is the trouble of a stream that is no Telnet; other errors stay what they are.
func (c Config) comFault(err error) error {
	var fault *telnetFault
	if errors.As(err, &fault) {
		return c.noCom(fault.what)
	}
	return err
}
