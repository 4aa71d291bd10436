package port

// options is what both ends of a Telnet connection have agreed on: the states of RFC 1143 that a client needs that asks once,
// at the beginning, and never again. Nothing is answered that only repeats what holds, so that two ends that do the same can
// never answer each other without end (RFC 854, rule of option negotiation).
type options struct{ ours, theirs [256]optionState }

type optionState uint8

const (
	optionOff   optionState = iota
	optionAsked             // we asked, and wait for the answer
	optionRefused
	optionOn
)

// usable are the options that either end may switch on. Echo is not among them: what we send to a balance must not come back
// as something that it printed.
func usable(option byte) bool {
	return option == optionBinary || option == optionGoAhead || option == optionComPort
}

// ask is what a client says first: that it wants to set a serial port, and that bytes pass unchanged both ways.
func (o *options) ask() []byte {
	o.ours[optionComPort], o.ours[optionBinary], o.theirs[optionBinary] = optionAsked, optionAsked, optionAsked
	o.ours[optionGoAhead], o.theirs[optionGoAhead] = optionAsked, optionAsked
	return []byte{telnetIAC, telnetWILL, optionComPort,
		telnetIAC, telnetWILL, optionBinary, telnetIAC, telnetDO, optionBinary,
		telnetIAC, telnetWILL, optionGoAhead, telnetIAC, telnetDO, optionGoAhead}
}

// hear takes what the other end says and gives the answer to it, or nil.
func (o *options) hear(verb, option byte) []byte {
	switch verb {
	case telnetDO:
		return heardOn(&o.ours[option], option, telnetWILL, telnetWONT)
	case telnetDONT:
		return heardOff(&o.ours[option], option, telnetWONT)
	case telnetWILL:
		return heardOn(&o.theirs[option], option, telnetDO, telnetDONT)
	case telnetWONT:
		return heardOff(&o.theirs[option], option, telnetDONT)
	}
	return nil
}

func heardOn(state *optionState, option, yes, no byte) []byte {
	switch {
	case *state == optionOn:
		return nil
	case *state == optionAsked:
		*state = optionOn
		return nil
	case !usable(option):
		return []byte{telnetIAC, no, option}
	}
	*state = optionOn
	return []byte{telnetIAC, yes, option}
}

func heardOff(state *optionState, option, no byte) []byte {
	before := *state
	*state = optionRefused
	if before == optionOn {
		return []byte{telnetIAC, no, option}
	}
	return nil
}

// comPort says whether the other end lets us set its serial port: it has agreed to our offer, or made the offer itself, which
// some servers do instead.
func (o *options) comPort() bool {
	return o.ours[optionComPort] == optionOn || o.theirs[optionComPort] == optionOn
}

// binary says whether bytes pass unchanged both ways.
func (o *options) binary() bool {
	return o.ours[optionBinary] == optionOn && o.theirs[optionBinary] == optionOn
}

// refusal says what was refused that we cannot do without, or "".
func (o *options) refusal() string {
	switch {
	case o.ours[optionComPort] == optionRefused && o.theirs[optionComPort] != optionOn:
		return "it refuses the Telnet option of RFC 2217, which sets a serial port"
	case o.ours[optionBinary] == optionRefused || o.theirs[optionBinary] == optionRefused:
		return "it refuses Telnet's binary transmission, so that bytes would not pass unchanged"
	}
	return ""
}
