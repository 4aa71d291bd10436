package setup

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"weighpost/gateway/port"
)

// Answers to how the settings are found.
const (
	byListening = "listen"
	byAsking    = "ask"
	byHand      = "known"
)

// findSettings finds out how the port's line is set.
func (g *guide) findSettings(ctx context.Context) (asked bool, err error) {
	if strings.HasPrefix(g.port.Address, "tcp://") {
		g.p.Tell("They are set at the device server.")
		return false, nil
	}
	if g.given.Settings {
		c := g.given.Port
		c.Address = g.port.Address
		if err := checkPort(c); err != nil {
			return false, err
		}
		g.port = c
		g.p.Tell("As given: " + g.port.Settings() + ".")
		return false, nil
	}
	q := Question{Key: "settings", Text: "Speed, data bits, parity and stop bits are found by listening to the balance.", Default: byListening,
		Choices: []Choice{{byListening, "find them"}, {byAsking, "find them; this balance speaks only when it is asked"},
			{byHand, "they are known"}}}
	for {
		how, err := g.p.Ask(ctx, q)
		switch {
		case errors.Is(err, ErrNobody):
			return true, g.listenAlone(ctx)
		case err != nil:
			return true, err
		case how == byHand:
			return true, g.typeSettings(ctx)
		case how == byAsking:
			if err := g.askPoll(ctx); err != nil {
				return true, err
			}
		}
		var found *Settings
		err = g.waiting(ctx, "The balance is listened to.", func(ctx context.Context) (err error) {
			found, err = FindSettings(ctx, g.tools.Open, g.port.Address, g.searching())
			return err
		})
		if err != nil {
			return true, err
		}
		if done, err := g.chooseSettings(ctx, found); done || err != nil {
			return true, err
		}
		if found.Silent {
			q.Text = "Nothing came from the balance. " + found.Advice
		}
	}
}

// searching are the options of the search.
func (g *guide) searching() SettingsOptions {
	return SettingsOptions{Person: g.p, Poll: g.poll, Listen: g.given.listen, Walk: SilenceOptions{Listen: g.given.listen}}
}

// askPoll asks what the balance is to be asked. Nothing else is ever sent to it.
func (g *guide) askPoll(ctx context.Context) error {
	for {
		answer, err := g.ask(ctx, Question{Key: "poll", Text: "What asks it for a weight, as its manual says it, such as P\\r\\n or \\x05. This is sent to the balance:\n" +
			"leave it unloaded, and use no command that tares or adjusts."}, "what the balance is asked is not known: give it (--poll)")
		if err != nil {
			return err
		}
		if g.poll, err = ParsePoll(answer); err == nil {
			return nil
		}
		g.p.Tell(sentence(err.Error()))
	}
}

// listenAlone takes the settings only where they are sure.
func (g *guide) listenAlone(ctx context.Context) error {
	found, err := FindSettings(ctx, g.tools.Open, g.port.Address, g.searching())
	if err != nil {
		return err
	}
	if !found.Sure || len(found.Candidates) == 0 {
		return errors.New("the settings of the port are not known, and listening did not tell them for sure: give them (--speed, --parity …)")
	}
	g.port = sparing(found.Candidates[0].Config(g.port.Address))
	g.p.Tell("Found: " + g.port.Settings() + ".")
	return nil
}

// chooseSettings shows what was found, and has the person take it.
func (g *guide) chooseSettings(ctx context.Context, found *Settings) (done bool, err error) {
	if len(found.Candidates) == 0 || found.Silent {
		return false, nil
	}
	q := Question{Key: "take-settings", Text: "This fits best:", Default: "again"}
	if found.Sure {
		q.Default = found.Candidates[0].Setting.String()
	}
	for _, c := range found.Candidates[:min(2, len(found.Candidates))] {
		q.Choices = append(q.Choices, Choice{c.Setting.String(), fmt.Sprintf("confidence %.2f: %s", c.Confidence, shortened(c.Text, 40))})
	}
	q.Choices = append(q.Choices, Choice{"again", "listen again"}, Choice{byHand, "other settings, which are known"})
	for _, u := range found.Unclear {
		g.p.Tell("Note: " + u)
	}
	answer, err := g.p.Ask(ctx, q)
	switch {
	case err != nil:
		return false, err
	case answer == "again":
		return false, nil
	case answer == byHand:
		return true, g.typeSettings(ctx)
	}
	for _, c := range found.Candidates {
		if c.Setting.String() == answer {
			g.port = sparing(c.Config(g.port.Address))
		}
	}
	return true, nil
}

// sparing leaves out the settings that are the default.
func sparing(c port.Config) port.Config {
	for _, leave := range []func(*port.Config){
		func(c *port.Config) { c.Speed = 0 }, func(c *port.Config) { c.DataBits = 0 }, func(c *port.Config) { c.Parity = "" },
		func(c *port.Config) { c.StopBits = 0 },
	} {
		less := c
		if leave(&less); less.Same(c) {
			c = less
		}
	}
	return c
}

// typeSettings asks for settings that the person knows.
func (g *guide) typeSettings(ctx context.Context) error {
	for {
		answer, err := g.ask(ctx, Question{Key: "known-settings", Text: "Speed, data bits, parity and stop bits of the balance, such as 9600 8N1.", Default: "9600 8N1"},
			"the settings of the port are not known: give them (--speed, --parity …)")
		if err != nil {
			return err
		}
		c, err := ParseSettings(answer)
		if err == nil {
			c.Address = g.port.Address
			err = checkPort(c)
		}
		if err == nil {
			g.port = sparing(c)
			return nil
		}
		g.p.Tell(sentence(err.Error()))
	}
}

var settingsForm = regexp.MustCompile(`^([0-9]{2,7})[ ,/]+([5-8])[ -]?([NOEMSnoems])[ -]?([12])$`)

// ParseSettings reads the settings of a line as people write them in short, "4800 7E1".
func ParseSettings(s string) (port.Config, error) {
	m := settingsForm.FindStringSubmatch(strings.TrimSpace(s))
	if m == nil {
		return port.Config{}, fmt.Errorf("%q are no settings: write speed, data bits, parity (N, E, O, M or S) and stop bits, such as 9600 8N1", s)
	}
	speed, err1 := strconv.Atoi(m[1])
	bits, err2 := strconv.Atoi(m[2])
	stop, err3 := strconv.Atoi(m[4])
	parity := map[string]string{"N": port.ParityNone, "O": port.ParityOdd, "E": port.ParityEven, "M": port.ParityMark, "S": port.ParitySpace}
	return port.Config{Speed: speed, DataBits: bits, Parity: parity[strings.ToUpper(m[3])], StopBits: stop}, errors.Join(err1, err2, err3)
}
