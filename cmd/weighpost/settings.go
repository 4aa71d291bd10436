package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"weighpost/gateway/setup"
	"weighpost/gateway/watch"
)

type settingsCommand struct {
	Source string        `arg:"" name:"port-or-file" help:"A port, or a file with bytes as received at the settings that the flags name; - for standard input."`
	Poll   string        `placeholder:"TEXT" help:"Send this at each try, for a balance that speaks only when asked, such as 'P\\r\\n' or '\\x05'. Nothing else is ever sent to a balance."`
	Listen time.Duration `placeholder:"TIME" help:"How long each try waits for the first byte, such as 10s."`
	For    time.Duration `placeholder:"TIME" help:"How long the whole search may take. By default 10 minutes."`
	Tries  int           `placeholder:"N" help:"At the most so many tries."`
	JSON   bool          `name:"json" help:"Print one JSON object."`
	portFlags

	walk setup.SilenceOptions // other in tests
}

// Help is what the command tells beyond its one line.
func (settingsCommand) Help() string {
	return `Each print of the balance is heard at one setting, and tells which to try next; one to three prints are usually enough, and five
at the most. The settings that are given are tried first (9600 8N1 where none are); for a file they say how its bytes were
taken. A balance that sends all the time needs no pressing, and one that speaks only when asked needs --poll. At a wrong speed
a poll may be heard as something else: leave the balance unloaded, and do not use a poll that resembles its command for tare.

Without a terminal it listens for 10s at each try, or as --listen says. Behind tcp://host:port the line is set at the device
server: it is told what to set there. With rfc2217://host:port the line is set from here.

The exit status is 1 where no setting can be taken for sure.`
}

// Validate refuses what does not go together.
func (c settingsCommand) Validate() error {
	file := c.Source == "-" || !isPort(c.Source)
	switch {
	case c.Listen < 0 || c.For < 0 || c.Tries < 0:
		return errors.New("--listen, --for and --tries count upwards: give a number above zero")
	case file && (c.Poll != "" || c.Listen != 0 || c.For != 0 || c.Tries != 0):
		return errors.New("--poll, --listen, --for and --tries are for a port, and this is a file")
	case c.Flow != "":
		return errors.New("--flow has no part in this: what a balance prints is heard without flow control")
	}
	if c.Poll != "" {
		if _, err := setup.ParsePoll(c.Poll); err != nil {
			return err
		}
	}
	return setup.CheckFirst(c.setting())
}

// setting is the one that the flags name, or the usual one.
func (c settingsCommand) setting() setup.Setting {
	s := setup.UsualSetting()
	if c.Speed != 0 {
		s.Speed = c.Speed
	}
	if c.DataBits != 0 {
		s.DataBits = c.DataBits
	}
	if c.Parity != "" {
		s.Parity = c.Parity
	}
	if c.StopBits != 0 {
		s.StopBits = c.StopBits
	}
	return s
}

func (c settingsCommand) Run(ctx context.Context, s streams) error { return c.run(ctx, s, setup.Open) }

// run is the command, with ports opened by open.
func (c settingsCommand) run(ctx context.Context, s streams, open setup.Opener) error {
	found, err := c.find(ctx, s, open)
	if err != nil {
		return err
	}
	if c.JSON {
		err = json.NewEncoder(s.out).Encode(found)
	} else {
		_, err = io.WriteString(s.out, settingsText(found))
	}
	switch {
	case err != nil:
		return fmt.Errorf("what was found cannot be written: %w", err)
	case found.Silent:
		return fmt.Errorf("nothing came from %s, so nothing is known of its settings", watch.Harmless(c.Source))
	case !found.Sure && found.Address == "":
		return errors.New("no setting is sure: take more bytes, at the likeliest setting")
	case !found.Sure:
		return errors.New("no setting is sure: press print more often, for different weights, and run it again")
	}
	return nil
}

func (c settingsCommand) find(ctx context.Context, s streams, open setup.Opener) (*setup.Settings, error) {
	if c.Source == "-" || !isPort(c.Source) {
		b, err := readCapture(c.Source, s.in)
		if err != nil {
			return nil, fmt.Errorf("the bytes cannot be read: %w", err)
		}
		return setup.Judge([]setup.Heard{{At: c.setting(), Bytes: b}}), nil
	}
	o := setup.SettingsOptions{Person: c.person(s), First: c.setting(), Listen: c.Listen, For: c.For, Tries: c.Tries, Walk: c.walk}
	if c.Poll != "" {
		var err error
		if o.Poll, err = setup.ParsePoll(c.Poll); err != nil {
			return nil, err
		}
	}
	return setup.FindSettings(ctx, open, c.Source, o)
}

// person is who presses print. Where nobody answers and nobody looks, nobody is told.
func (c settingsCommand) person(s streams) setup.Person {
	p := newPerson(s)
	if p.alone && !isTerminal(s.err) {
		return setup.Nobody{}
	}
	return p
}

// mostCapture is how much of a file is judged.
const mostCapture = 1 << 20

func readCapture(name string, in io.Reader) ([]byte, error) {
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		in = f
	}
	return io.ReadAll(io.LimitReader(in, mostCapture))
}

// settingsText is what was found, in plain lines.
func settingsText(found *setup.Settings) string {
	var b strings.Builder
	for _, h := range found.Heard {
		fmt.Fprintf(&b, "Heard at %-12s %s\n", h.At.String()+":", heardText(h))
	}
	if found.Silence != nil && (found.Silent || found.Silence.Heard) {
		b.WriteString("\n")
		for line := range strings.Lines(found.Silence.Text()) {
			b.WriteString(shown(strings.TrimRight(line, "\n")) + "\n")
		}
	}
	if found.Silent {
		b.WriteString("\n" + wrapped(found.Advice, ""))
		return b.String()
	}
	b.WriteString("\n")
	for i, c := range found.Candidates {
		fmt.Fprintf(&b, "%d  %-12s confidence %s", i+1, c.Setting, confidenceText(c.Confidence))
		if len(c.Same) > 0 {
			var same []string
			for _, other := range c.Same {
				same = append(same, other.Framing())
			}
			fmt.Fprintf(&b, "; the same bytes with %s", strings.Join(same, ", "))
		}
		b.WriteString("\n")
		if i < 2 {
			b.WriteString(candidateText(c))
		}
	}
	if len(found.Unclear) > 0 {
		b.WriteString("\nWhat cannot be told apart:\n")
		for _, u := range found.Unclear {
			b.WriteString(wrapped(u, "- "))
		}
	}
	b.WriteString("\n" + wrapped(found.Advice, ""))
	if found.Sure {
		b.WriteString("\n" + portBlock(found))
	}
	return b.String()
}

func confidenceText(c float64) string {
	if c < 0.01 {
		return "below 0.01"
	}
	return fmt.Sprintf("%.2f", c)
}

func heardText(h setup.Heard) string {
	text := count(len(h.Bytes), "byte")
	if n := len(h.Damaged); n > 0 {
		text += fmt.Sprintf(", %d damaged", n)
	}
	if n := len(h.Breaks); n > 0 {
		text += ", " + count(n, "break")
	}
	return text
}

// mostLines of a text are shown.
const mostLines = 6

// candidateText shows what came, read with a candidate.
func candidateText(c setup.Candidate) string {
	if len(c.Bytes) == 0 {
		return "     not heard at this setting yet\n"
	}
	var b strings.Builder
	n := 0
	for line := range strings.Lines(lineBreaks(c.Text)) {
		if n++; n > mostLines {
			b.WriteString("     …\n")
			break
		}
		line = strings.TrimRight(line, "\n")
		if len(line) > screenWidth {
			line = line[:screenWidth] + "…"
		}
		fmt.Fprintf(&b, "     %s\n", line)
	}
	return b.String()
}

// lineBreaks breaks a text with escapes after each line end that it shows.
func lineBreaks(text string) string {
	text = strings.NewReplacer(`\\`, `\\`, `\r\n`, `\r\n`+"\n", `\r`, `\r`+"\n", `\n`, `\n`+"\n").Replace(text)
	return strings.TrimRight(text, "\n")
}

// portBlock is what to put into the configuration.
func portBlock(found *setup.Settings) string {
	c := found.Candidates[0]
	address := found.Address
	if address == "" {
		address = "/dev/serial/by-id/…"
	}
	if found.Elsewhere {
		return fmt.Sprintf("port: {address: %s}\n", quoted(address))
	}
	return fmt.Sprintf("port: {address: %s, speed: %d, data_bits: %d, parity: %s, stop_bits: %d}\n",
		quoted(address), c.Speed, c.DataBits, c.Parity, c.StopBits)
}

// quoted is a text as a value of YAML's, in quotes where it needs them.
func quoted(text string) string {
	plain := !strings.ContainsFunc(text, func(r rune) bool {
		return r != '/' && r != '.' && r != '-' && r != '_' && r != '…' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	})
	if plain && text != "" && text[0] != '-' && text[0] != '.' {
		return text
	}
	b, err := json.Marshal(text) // JSON's strings are YAML's
	if err != nil {
		return `""`
	}
	return watch.Harmless(string(b))
}
