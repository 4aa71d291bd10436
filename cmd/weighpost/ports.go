package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"runtime"
	"strings"

	"weighpost/gateway/port"
	"weighpost/gateway/watch"
)

type portsCommand struct {
	Lines bool `help:"Also read the modem lines of ports that nobody holds, which opens each for a moment."`
	JSON  bool `name:"json" help:"Print one JSON object for each port instead."`
}

// Help is what the command tells beyond its one line.
func (portsCommand) Help() string {
	return `The first line of each port is the name to put into the configuration: the one that stays the same when adapters are
plugged in elsewhere or in another order. Where two adapters cannot be told apart it is the name of the socket.

No port is opened, so nothing that is in use is disturbed. To open a port raises DTR and RTS, and to close it lets them fall,
which some balances heed; so modem lines are told only where the system shows them anyway (to root, for ports of the computer
itself), or with --lines, which passes over ports that somebody holds or might hold.

What other users' programs have open only root can see.`
}

func (c portsCommand) Run(ctx context.Context, s streams) error {
	all, err := port.List(ctx)
	if err != nil {
		return fmt.Errorf("the serial ports cannot be listed: %w", err)
	}
	passed := map[string]string{}
	for i := range all {
		if f := &all[i]; c.Lines && f.Lines == nil {
			if err := f.LookAtLines(ctx); err != nil {
				passed[f.Device] = err.Error()
			}
		}
	}
	if c.JSON {
		return portsJSON(s, all)
	}
	for i, f := range all {
		if i > 0 {
			fmt.Fprintln(s.out)
		}
		portText(s.out, f, passed[f.Device])
	}
	return portsRemarks(s.out, all)
}

func portsJSON(s streams, all []port.Found) error {
	out := json.NewEncoder(s.out)
	out.SetEscapeHTML(false)
	for _, f := range all {
		if err := out.Encode(f); err != nil {
			return fmt.Errorf("the ports cannot be written: %w", err)
		}
	}
	if len(all) == 0 {
		return portsRemarks(s.err, all)
	}
	return nil
}

// portText shows one port.
func portText(out io.Writer, f port.Found, passed string) {
	row := func(what, text string) {
		if text != "" {
			fmt.Fprintf(out, "  %-10s %s\n", what, watch.Harmless(text))
		}
	}
	fmt.Fprintln(out, watch.Harmless(f.Address))
	if f.Device != f.Address {
		row("now", f.Device)
	}
	row("kind", portKind(f))
	if f.Twins {
		row("twin", "another adapter that is plugged in has the same numbers: this is the name of its socket, so keep it in that socket")
	}
	row("held by", portHolder(f))
	row("lines", portLines(f.Lines, passed))
	for i, name := range f.Names {
		row([]string{"also", ""}[min(i, 1)], name)
	}
	row("note", f.Note)
}

func portKind(f port.Found) string {
	parts := []string{f.Kind}
	if f.Vendor != "" {
		parts[0] += " " + f.Vendor + ":" + f.Product
	}
	if f.Serial != "" {
		parts = append(parts, "serial number "+f.Serial)
	}
	if f.Driver != "" {
		parts = append(parts, "driver "+f.Driver)
	}
	if f.Description != "" {
		parts = append(parts, f.Description)
	}
	return strings.Join(parts, ", ")
}

func portHolder(f port.Found) string {
	switch {
	case f.Holder != "":
		return f.Holder
	case f.HolderUnsure && runtime.GOOS == "linux":
		return "nobody that can be seen from here; other users' programs are seen by root only"
	case f.HolderUnsure:
		return "not known: this system does not tell"
	}
	return "nobody"
}

// portLines shows which modem lines are on. The first two are the computer's.
func portLines(l *port.Lines, passed string) string {
	if l == nil {
		return passed
	}
	word := map[bool]string{true: "on", false: "off"}
	return fmt.Sprintf("DTR %s, RTS %s; from the balance: CTS %s, DSR %s, DCD %s, RI %s",
		word[l.DTR], word[l.RTS], word[l.CTS], word[l.DSR], word[l.DCD], word[l.RI])
}

// portsRemarks says what to do where no adapter was found.
func portsRemarks(out io.Writer, all []port.Found) error {
	for _, f := range all {
		if f.Kind == port.KindUSB {
			return nil
		}
	}
	lines := port.Unlisted()
	if len(all) == 0 {
		lines = append([]string{"There is no serial port."}, append(lines, noPorts()...)...)
	}
	for _, line := range lines {
		if _, err := fmt.Fprintln(out, watch.Harmless(line)); err != nil {
			return err
		}
	}
	return nil
}

// noPorts is what to do where there is no port at all.
func noPorts() []string {
	advice := []string{"Plug in a USB serial adapter and call this again; the name that it then has is the one for the configuration."}
	switch runtime.GOOS {
	case "windows":
		advice = append(advice, "If it is plugged in: the device manager shows it below \"Ports (COM & LPT)\", or with a mark where its driver is missing.")
	case "linux":
		advice = append(advice, "If it is plugged in: \"dmesg | tail\" says what the system made of it.")
		advice = append(advice, "In a virtual machine or a container the port must be handed in by the computer outside.")
	}
	return append(advice, "A balance at a serial device server needs no port here: its address is tcp://host:port, of raw bytes, or rfc2217://host:port, of a server whose line is set from here.")
}
