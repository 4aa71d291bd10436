package setup

import (
	"fmt"
	"strings"

	"weighpost/gateway/port"
)

// Causes of silence.
const (
	CauseHolder    = "another-program" // another program has the port and takes the bytes
	CauseService   = "system-service"  // a service of the operating system tries adapters
	CauseAdapter   = "adapter"         // the adapter, its driver, or not the port that was meant
	CauseCable     = "cable"           // the cable, its plugs, or the socket
	CauseHandshake = "handshake"       // the balance waits for a modem line
	CauseMenu      = "menu"            // the balance's output is off or goes elsewhere
	CauseKey       = "print-key"       // no fault: it sends when its key is pressed
	CauseNone      = "none"            // no fault: it sends by itself
	CauseUnknown   = "unknown"         // what was seen does not tell
)

// evidence is what a walk has seen. What follows from it is worked out without looking at anything else.
type evidence struct {
	heard string // the step in which bytes came, or ""

	holder       string // who has the port now
	closedHolder string // who had it and closed it
	holderUnsure bool

	kind          string // of the port
	linesKnown    bool
	before, after port.Lines // as found, and after DTR and RTS were switched off and on
	switched      bool       // they were
	follows       bool       // what comes from the far end follows our own lines

	pressed   bool   // the print key, so says the person
	menu      string // "changed", "right", "unknown", or "" if nobody looked
	cable     string // "changed", "socket", "none", or "" if nobody changed it
	loop      string // of the self-test
	replugged bool   // the cable, after it

	probers                          []string // services that may touch the port
	lookedForProbers, stoppedProbers bool

	breaks, strays, lost int // what else the line did
	stopped              bool
}

// alive says whether something at the far end drives a line: it is plugged in there, and on.
func (e *evidence) alive() bool {
	return e.linesKnown && !e.follows && (e.before.CTS || e.before.DSR || e.before.DCD)
}

// dead says that nothing drives one.
func (e *evidence) dead() bool {
	return e.linesKnown && !e.follows && !e.before.CTS && !e.before.DSR && !e.before.DCD
}

// conclude says what the evidence rules out, what it leaves open, and what it speaks for most.
func (e *evidence) conclude() (out, open []string, l Likeliest) {
	if e.heard != "" {
		return nil, nil, e.whyHeard()
	}
	return e.ruledOut(), e.leftOpen(), e.whySilent()
}

// whyHeard says what bytes mean that came at a step. That a thing was changed just before does not prove that it was the cause.
func (e *evidence) whyHeard() Likeliest {
	switch e.heard {
	case StepListen:
		if e.closedHolder != "" {
			return Likeliest{CauseHolder, fmt.Sprintf("Bytes come now that %s no longer has the port.", e.closedHolder),
				"See that it does not open the port again: weighpost must have it alone, or hand its bytes on with tap."}
		}
		return Likeliest{CauseNone, "Bytes come by themselves.", "Nothing is to be done about the connection."}
	case StepPrint:
		if !e.pressed {
			return Likeliest{CauseNone, "Bytes came, only later than at first.", "Nothing is to be done about the connection; the balance may send at long intervals."}
		}
		return Likeliest{CauseKey, "Bytes came after the print key was pressed: the balance sends when it is asked to.", "Nothing is to be done about the connection."}
	case StepHandshake:
		return Likeliest{CauseHandshake, "Bytes came after DTR and RTS were switched off and on: the balance seems to wait for one of them.",
			"weighpost switches both on when it opens the port. If it stays silent there, switch the handshake off in the balance's menu."}
	case StepMenu:
		return Likeliest{CauseMenu, "Bytes came after the balance's menu was looked at and it was switched off and on.", "Write down how it is set now."}
	case StepCable:
		return Likeliest{CauseCable, "Bytes came after socket or cable was changed.", "Leave it so, and label the cable."}
	case StepSelfTest:
		return Likeliest{CauseCable, "Bytes came after the cable was plugged in anew: it may have sat loosely.", "Screw its plugs on at both ends."}
	case StepService:
		return Likeliest{CauseService, fmt.Sprintf("Bytes came after %s was stopped and the adapter plugged in anew.", strings.Join(e.probers, " and ")),
			"Keep it away for good: weighpost service install --udev."}
	}
	return Likeliest{CauseUnknown, "Bytes came.", "Nothing is to be done about the connection."}
}

// whySilent weighs what was seen while nothing came.
func (e *evidence) whySilent() Likeliest {
	switch {
	case e.holder != "":
		return Likeliest{CauseHolder, fmt.Sprintf("The port is in use by %s, which takes what the balance sends.", e.holder), "Close that program, or have it read through a tap of weighpost."}
	case e.loop == loopNothing:
		return Likeliest{CauseAdapter, "What was sent over the bridged pins did not come back: this is not the adapter with the bridge, the bridge does not touch, or the adapter or its driver does not work.",
			"Compare \"weighpost ports\" with and without the adapter plugged in; then try another adapter."}
	case e.loop == loopDiffers || e.loop == loopSome:
		return Likeliest{CauseAdapter, "What came back over the bridged pins is not what was sent: the adapter is faulty, or more than the bridge was connected.", "Repeat the test with nothing but the bridge; then try another adapter."}
	case e.loop == loopRefused:
		return Likeliest{CauseAdapter, "The port did not take what was to be sent in the self-test: the adapter or its driver does not work.", "Pull it out and plug it in again; then try another adapter."}
	case e.lost > 1:
		return Likeliest{CauseAdapter, fmt.Sprintf("The port went away %d times while it was listened to: the adapter sits loosely, or gets too little power.", e.lost), "Plug it into another socket of the computer, without a hub."}
	}
	return e.beyondTheAdapter()
}

// beyondTheAdapter weighs cable, menu and handshake, where nothing speaks against the computer's side.
func (e *evidence) beyondTheAdapter() Likeliest {
	works := ""
	if e.loop == loopWhole {
		works = "The adapter works. "
	}
	l := Likeliest{CauseUnknown, works + "What was seen does not tell where the fault is.", "Do the steps that were left out; the self-test with the bridge tells most."}
	switch {
	case e.breaks+e.strays > 0:
		l = Likeliest{CauseCable, fmt.Sprintf("%sThe line moved (%d single bytes, %d breaks), and no text came: a plug that was touched, a wire on the wrong pin, or a balance that sends much more slowly than was listened for.", works, e.strays, e.breaks),
			"Press print again and listen at other speeds; then compare the cable with the pins in the balance's manual."}
	case e.dead() && e.cable != "changed" && e.cable != "socket":
		l = Likeliest{CauseCable, works + "No line from the balance's side is on. That fits a straight cable where a crossed one belongs, a wrong socket, a plug that is out, or a balance that is off; and also a cable of three wires, which may be right.",
			"Try a crossed cable or a null-modem adapter, and the balance's other sockets."}
	case e.alive() && e.menu != "right":
		l = Likeliest{CauseMenu, works + "Something at the other end is on and drives a line of the cable, and sends nothing: that fits an output that is off, goes elsewhere, or is sent only on a command.",
			"Look for the output and its destination in the balance's menu. If it sends only on a command, its manual has it: give it to \"weighpost settings\" as the poll."}
	case e.loop == loopWhole && e.menu == "right" && e.cable == "":
		l = Likeliest{CauseCable, "The adapter works, and the balance's menu is said to be right: what lies between is the cable.", "Try a crossed cable or a null-modem adapter."}
	case e.loop == loopWhole && (e.cable == "changed" || e.cable == "socket"):
		l = Likeliest{CauseMenu, "The adapter works, and another cable or socket did not help: what is left is the balance's own side, its output or its handshake.",
			"Look for output, destination and handshake in the balance's menu, and whether it sends only on a command."}
	case len(e.probers) > 0 && !e.stoppedProbers:
		l = Likeliest{CauseService, works + strings.Join(e.probers, " and ") + " runs and tries adapters; whether it touched this one cannot be seen.", "Install the udev rules: weighpost service install --udev; then plug the adapter in again."}
	}
	return l
}

// ruledOut lists what the evidence speaks against.
func (e *evidence) ruledOut() (out []string) {
	add := func(holds bool, text string) {
		if holds {
			out = append(out, text)
		}
	}
	add(e.holder == "" && !e.holderUnsure, "another program that has the port")
	add(e.loop == loopWhole, "a dead adapter or driver (self-test)")
	add(e.alive(), "a balance that is off, or a cable that is not plugged in (a line from the other end is on)")
	add(e.switched && e.loop == loopWhole && e.after.CTS && !e.follows, "a cable without wires for the handshake (CTS is on)")
	add(e.cable == "changed", "the one cable alone: another did not help")
	add(e.lookedForProbers && len(e.probers) == 0, "a service of this system that tries adapters")
	return out
}

// leftOpen lists what was not looked into, or cannot be known.
func (e *evidence) leftOpen() (open []string) {
	add := func(holds bool, text string) {
		if holds {
			open = append(open, text)
		}
	}
	add(e.holderUnsure && e.holder == "", "a program that has the port and cannot be seen from here (on Linux, root sees all)")
	add(!e.linesKnown, "whether anything is on at the other end: this port shows no modem lines")
	add(e.follows, "whether anything is on at the other end: a bridge in a plug drives CTS and DSR")
	add(!e.pressed, "whether the print key was pressed")
	add(e.menu == "" || e.menu == "unknown", "the balance's menu: output, destination, handshake")
	add(e.cable == "" || e.cable == "none", "straight cable or crossover")
	add(e.loop == loopUntested || e.loop == loopTalks, "the adapter: it was not tested")
	add(!e.lookedForProbers, "a service of this system that tries adapters")
	add(len(e.probers) > 0, "what "+strings.Join(e.probers, " and ")+" did to the adapter")
	add(true, "a balance that sends only on a command")
	return open
}
