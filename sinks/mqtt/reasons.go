package mqtt

import (
	"fmt"
	"time"

	"weighpost/sinks"
)

// verdictOn is what a reason code of MQTT 5 means for whoever delivers.
type verdictOn int

const (
	tryAgain    verdictOn = iota // it passes by itself
	taken                        // the broker has the message
	neverEntry                   // this entry will never be taken
	personFirst                  // somebody has to mend the sink or the broker's rules
	notNow                       // the broker asks for a wait
)

// reason is one reason code (MQTT 5.0 clause 2.4): as the answer to a message (PUBACK, clause 3.4.2.1), to CONNECT (CONNACK,
// clause 3.2.2.2), and as why the broker ends the connection (DISCONNECT, clause 3.14.2.1). Where the standard has no such
// code for a packet, brokers have been seen to send it all the same, or it is taken for what it says.
type reason struct {
	words                       string // after "the broker says"
	message, greeting, farewell verdictOn
}

// busyFor is how long a broker is left alone that says that it has too much to do: MQTT has no way to say how long.
const busyFor = time.Minute

var reasons = map[byte]reason{
	0x00: {"success", taken, taken, tryAgain},
	0x10: {"no matching subscribers", taken, taken, tryAgain}, // it was taken; who listens is not our affair
	0x80: {"unspecified error", tryAgain, tryAgain, tryAgain},
	0x81: {"malformed packet", neverEntry, personFirst, neverEntry},
	0x82: {"protocol error", tryAgain, personFirst, tryAgain},
	0x83: {"an error of its own kind", tryAgain, tryAgain, tryAgain},
	0x84: {"it does not speak MQTT 5", personFirst, personFirst, personFirst},
	0x85: {"the client id is not valid", personFirst, personFirst, personFirst},
	0x86: {"bad user name or password", personFirst, personFirst, personFirst},
	0x87: {"not authorised", personFirst, personFirst, personFirst},
	0x88: {"the server is unavailable", tryAgain, tryAgain, tryAgain},
	0x89: {"the server is busy", notNow, notNow, notNow},
	0x8a: {"we are banned", personFirst, personFirst, personFirst},
	0x8b: {"it is shutting down", tryAgain, tryAgain, tryAgain},
	0x8c: {"bad authentication method", personFirst, personFirst, personFirst},
	0x8d: {"it has heard nothing of us for too long", tryAgain, tryAgain, tryAgain},
	0x8e: {"another client has connected under the same client_id", tryAgain, tryAgain, tryAgain},
	0x8f: {"topic filter invalid", personFirst, personFirst, personFirst},
	0x90: {"topic name invalid", neverEntry, personFirst, neverEntry},
	0x91: {"packet identifier in use", tryAgain, tryAgain, tryAgain},
	0x93: {"more messages than its receive maximum", tryAgain, tryAgain, tryAgain},
	0x94: {"topic alias invalid", tryAgain, tryAgain, tryAgain},
	0x95: {"packet too large", neverEntry, personFirst, neverEntry},
	0x96: {"message rate too high", notNow, notNow, notNow},
	0x97: {"quota exceeded", notNow, notNow, notNow},
	0x98: {"an administrator ended the connection", notNow, notNow, notNow},
	0x99: {"payload format invalid", neverEntry, personFirst, neverEntry},
	0x9a: {"it keeps no retained messages", personFirst, personFirst, personFirst},
	0x9b: {"it does not take messages at QoS 1", personFirst, personFirst, personFirst},
	0x9c: {"use another server", notNow, notNow, notNow},
	0x9d: {"the server has moved", personFirst, personFirst, personFirst},
	0x9f: {"too many connections at a time", notNow, notNow, notNow},
	0xa0: {"the longest time for a connection is over", tryAgain, tryAgain, tryAgain},
	0xa1: {"it has no subscription identifiers", personFirst, personFirst, personFirst},
	0xa2: {"it has no wildcards in subscriptions", personFirst, personFirst, personFirst},
}

// failed is the first reason code that is no success (clause 2.4).
const failed = 0x80

// reasonOf gives what a code means. One that the standard does not have is worth another try.
func reasonOf(code byte) reason {
	if r, known := reasons[code]; known {
		return r
	}
	if code < failed {
		return reason{fmt.Sprintf("code 0x%02x, which MQTT 5 does not have", code), taken, taken, tryAgain}
	}
	return reason{fmt.Sprintf("code 0x%02x, which MQTT 5 does not have", code), tryAgain, tryAgain, tryAgain}
}

// ack is what a broker says of one packet.
type ack struct {
	code byte   // 0 in MQTT 3.1.1, but for a subscription
	why  string // the broker's own words, where it has any
}

// said words a reason code, with what the broker adds of its own.
func (a ack) said() string {
	text := fmt.Sprintf("the broker says: %s (0x%02x)", reasonOf(a.code).words, a.code)
	if a.why != "" {
		text += fmt.Sprintf(", %.200q", a.why)
	}
	return text
}

// judge turns a verdict into the error that package deliver goes by. nil where the message was taken.
func judge(v verdictOn, err error) error {
	switch v {
	case taken:
		return nil
	case neverEntry:
		return sinks.Refused{Err: err}
	case personFirst:
		return sinks.Unusable{Err: err}
	case notNow:
		return sinks.Busy{Err: err, After: busyFor}
	}
	return err
}

// refusal is the error for a message that the broker has answered with a reason code, or nil.
func (a ack) refusal(topic string) error {
	r := reasonOf(a.code)
	remedy := ""
	switch {
	case a.code == 0x87:
		remedy = ": check its access list: our user needs to write there"
	case r.message == notNow:
		remedy = ": see what limits it has for our user"
	}
	return judge(r.message, fmt.Errorf("a message to %s was not taken: %s%s", topic, a.said(), remedy))
}

// declined is a CONNACK that is no success.
type declined struct{ ack }

func (d declined) Error() string { return d.said() }

// dismissed is a DISCONNECT of the broker.
type dismissed struct{ ack }

func (d dismissed) Error() string { return "the broker ended the connection; " + d.said() }
