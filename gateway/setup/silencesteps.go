package setup

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"weighpost/gateway/port"
)

// holder looks for who else has the port. While somebody has it, it is not opened: two readers of one port share its bytes
// between them by chance.
func (w *walk) holder(ctx context.Context) error {
	const tried = "Looked for other programs that have the port."
	if w.network {
		w.skip(StepHolder, "Who has the port cannot be seen from here: it is at a device server, and many of those serve one program at a time.")
		w.known.holderUnsure = true
		return nil
	}
	for asked := 0; ; asked++ {
		f, err := w.look(ctx)
		if f.Holder == "" {
			return w.nobodyHolds(tried, f, err)
		}
		w.known.holder = f.Holder
		answer := answerSkip
		if asked < mostAskedAgain {
			answer, err = w.ask(ctx, "holder", fmt.Sprintf("The port %s is in use by %s, which takes what the balance sends. Close it.", w.config.Address, f.Holder),
				Choice{answerDone, "it is closed"})
			if err != nil {
				return err
			}
		}
		if answer != answerDone {
			w.note(StepHolder, OutcomeSeen, tried, "It is in use by "+f.Holder+".")
			return errDone
		}
		w.known.closedHolder, w.known.holder = f.Holder, ""
	}
}

// look finds who has the port, and opens it where nobody is seen to: that tells of those who cannot be seen.
func (w *walk) look(ctx context.Context) (port.Found, error) {
	f := w.find(ctx)
	if f.Holder != "" {
		return f, nil
	}
	w.known.holderUnsure, w.known.kind = f.HolderUnsure, f.Kind
	err := w.ensure(ctx)
	if heldByAnother(err) {
		f.Holder = "a program that cannot be seen from here"
	}
	return f, err
}

func (w *walk) nobodyHolds(tried string, f port.Found, err error) error {
	if err != nil {
		return err
	}
	saw := "Nobody has it."
	if f.HolderUnsure {
		saw = "Nobody is seen to have it; " + unseen
	}
	w.note(StepHolder, OutcomeSeen, tried, saw)
	return nil
}

// unseen is why somebody may have a port all the same.
const unseen = "that somebody has it all the same cannot be ruled out from here (on Linux, root sees all)."

// find gives what the system says of the port; without more than its address where it does not know it.
func (w *walk) find(ctx context.Context) port.Found {
	device := w.config.Address
	if real, err := filepath.EvalSymlinks(device); err == nil {
		device = real
	}
	unknown := port.Found{Address: w.config.Address, Device: device, Kind: port.KindUnknown, HolderUnsure: true}
	if strings.HasPrefix(device, "/dev/pts/") { // those are listed only where they have a name
		unknown.Kind = port.KindPseudo
	}
	all, err := w.system.List(ctx)
	if err != nil {
		return unknown
	}
	for _, f := range all {
		if f.Address == w.config.Address || f.Device == device {
			return f
		}
	}
	return unknown
}

// first listens before anything is changed.
func (w *walk) first(ctx context.Context) error { return w.listens(ctx, StepListen, "Only listened.") }

// lines reads the modem lines.
func (w *walk) lines(ctx context.Context) error {
	const tried = "Read the modem lines."
	m, ok := w.modem(ctx)
	if !ok {
		w.skip(StepLines, "This port does not show modem lines.")
		return nil
	}
	l, err := m.Lines()
	if err != nil {
		w.skip(StepLines, fmt.Sprintf("The modem lines cannot be read: %v.", err))
		return nil
	}
	w.known.linesKnown, w.known.before = true, l
	w.note(StepLines, OutcomeSeen, tried, "From the balance's side "+heardLines(l)+".")
	return nil
}

// modem is the port's other half, if it is open and has one.
func (w *walk) modem(ctx context.Context) (port.Modem, bool) {
	if w.ensure(ctx) != nil {
		return nil, false
	}
	m, ok := w.port.(port.Modem)
	return m, ok
}

// heardLines names the lines that the far end drives.
func heardLines(l port.Lines) string {
	var on []string
	for _, line := range []struct {
		name string
		on   bool
	}{{"CTS", l.CTS}, {"DSR", l.DSR}, {"DCD", l.DCD}} {
		if line.on {
			on = append(on, line.name)
		}
	}
	if len(on) == 0 {
		return "no line is on"
	}
	return strings.Join(on, " and ") + " is on"
}

// printKey has the person press it.
func (w *walk) printKey(ctx context.Context) error {
	const tried = "Had the print key pressed."
	answer, err := w.offer(ctx, StepPrint, "print-key", "See that the balance is on and shows a weight, and that its cable is plugged in at both ends. Then press its print key "+
		"two or three times.", Choice{answerDone, "I pressed it"}, Choice{"none", "it has no print key"})
	if answer == "" {
		return err
	}
	w.known.pressed = answer == answerDone
	return w.listens(ctx, StepPrint, map[bool]string{true: tried, false: "The balance has no print key; listened."}[w.known.pressed])
}

// handshake lets DTR and RTS fall and raises them: a balance that heeds them may wait for the edge. It looks whether CTS
// follows RTS, which a bridge in a plug makes.
func (w *walk) handshake(ctx context.Context) error {
	const tried = "Switched DTR and RTS off and on."
	m, ok := w.modem(ctx)
	if !ok {
		w.skip(StepHandshake, "This port does not let DTR and RTS be switched.")
		return nil
	}
	if err := bothLines(m, false); err != nil {
		_ = bothLines(m, true)
		w.skip(StepHandshake, fmt.Sprintf("DTR and RTS cannot be switched: %v.", err))
		return nil
	}
	port.Wait(ctx, min(settleLines, w.listen))
	off, err1 := m.Lines()
	err := bothLines(m, true)
	port.Wait(ctx, min(settleLines, w.listen))
	on, err2 := m.Lines()
	if err != nil {
		return fmt.Errorf("DTR and RTS cannot be switched on again: %w", err)
	}
	w.known.switched = true
	if err1 == nil && err2 == nil {
		w.known.after = on
		w.known.follows = !off.CTS && on.CTS || !off.DSR && on.DSR
	}
	said := tried
	if w.known.follows {
		said += " What comes from the balance's side followed: a plug bridges our own lines, so CTS and DSR say nothing of the balance."
	}
	return w.listens(ctx, StepHandshake, said)
}

// bothLines switches DTR and RTS, and tries the second where the first does not move.
func bothLines(m port.Modem, on bool) error {
	err := m.SetDTR(on)
	if err2 := m.SetRTS(on); err == nil {
		err = err2
	}
	return err
}

// menu has the person look at the balance's settings.
func (w *walk) menu(ctx context.Context) error {
	const tried = "Had the balance's own menu looked at."
	answer, err := w.offer(ctx, StepMenu, "menu", "Look into the menu of the balance: is its serial output on and meant for this socket, may the print key print at any time "+
		"(not only when the weight is stable or above some limit), and is its handshake off? Set it so, switch the balance off and on, and press print.",
		Choice{"changed", "I changed something and pressed print"}, Choice{"right", "it was right, and I pressed print"}, Choice{"unknown", "I cannot find it"})
	if answer == "" {
		return err
	}
	w.known.menu = answer
	return w.listens(ctx, StepMenu, map[string]string{"changed": tried + " Something was changed.", "right": tried + " It was right.",
		"unknown": tried + " The settings were not found."}[answer])
}

// cable has the person try another one.
func (w *walk) cable(ctx context.Context) error {
	const tried = "Had socket and cable changed."
	answer, err := w.offer(ctx, StepCable, "cable", "Is the cable in the balance's socket for a computer, and not in one for a second display, a foot switch or a printer only? "+
		"Then exchange a straight cable for a crossed one (null modem: pins 2 and 3 change places), or the other way round; a null-modem adapter in between does it, "+
		"too. Press print.", Choice{"changed", "I changed the cable or put an adapter in between, and pressed print"},
		Choice{"socket", "it was in another socket; I changed that, and pressed print"}, Choice{"none", "I have no other cable"})
	if answer == "" {
		return err
	}
	w.known.cable = answer
	return w.listens(ctx, StepCable, map[string]string{"changed": tried + " It is another cable now.", "socket": tried + " It is another socket now.",
		"none": "There is no other cable; listened."}[answer])
}

// service looks for services of the operating system that take or try adapters.
func (w *walk) service(ctx context.Context) error {
	const tried = "Looked for services of this system that try adapters."
	if w.network {
		w.skip(StepService, "Services were not looked for: the port is not one of this computer.")
		return nil
	}
	w.known.probers = nil
	var said []string
	spared, _ := w.system.Spared(w.config.Address)
	for _, p := range w.system.Probers() {
		if isPrompt(p.Program) || spared { // a prompt holds its port while it waits, which the first step sees
			continue
		}
		w.known.probers = append(w.known.probers, p.Program)
		said = append(said, fmt.Sprintf("%s runs (process %d): it %s.", p.Program, p.PID, p.Does))
	}
	w.known.lookedForProbers = true
	if len(said) == 0 {
		w.note(StepService, OutcomeSeen, tried, "None runs that could touch this port.")
		return nil
	}
	answer, err := w.ask(ctx, "service", strings.Join(said, " ")+" Stop it, or install the udev rules that come with weighpost (weighpost service install --udev); "+
		"pull the adapter out and plug it in again; then press print.", Choice{answerDone, "done, and I pressed print"})
	switch {
	case err != nil:
		return err
	case answer == answerSkip:
		w.note(StepService, OutcomeSeen, tried, strings.Join(said, " ")+" "+w.whySkipped())
		return nil
	}
	w.known.stoppedProbers = true
	w.close() // the adapter was pulled out
	return w.listens(ctx, StepService, tried+" "+strings.Join(said, " ")+" It was stopped.")
}

func isPrompt(program string) bool { return strings.HasSuffix(program, "getty") }
