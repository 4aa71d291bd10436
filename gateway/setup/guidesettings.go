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
	return true, g.typeSettings(ctx)
}

// typeSettings asks for settings that the person knows.
func (g *guide) typeSettings(ctx context.Context) error {
	for {
		answer, err := g.ask(ctx, Question{Key: "settings", Text: "The settings of the balance: speed, data bits, parity and stop bits, such as 9600 8N1", Default: "9600 8N1"},
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
			g.port = c
			return nil
		}
		g.p.Tell(sentence(err.Error()))
	}
}

var settingsForm = regexp.MustCompile(`^([0-9]{2,7})[ ,/]+([5-8])[ -]?([NOEMSnoems])[ -]?([12])$`)

// ParseSettings reads the settings of a line as people write them in short, "4800 7E1". What is the default is left out.
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
