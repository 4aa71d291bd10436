package qualify

import (
	"context"
	"errors"
	"slices"

	"weighpost/gateway/intake"
	"weighpost/gateway/setup"
)

// ports are the tests of the balances' ports, one for each.
func (u *run) ports() (list []planned) {
	for i := range u.Config.Balances {
		b := &u.Config.Balances[i]
		list = append(list, planned{"ports." + b.ID, func(ctx context.Context, t *try) { u.port(ctx, t, b) }})
	}
	return list
}

// Ways to try a port.
const (
	byLoop   = "loop"
	byWeight = "weigh"
	notAtAll = "skip"
)

// port tries one port, in the way that a person named.
func (u *run) port(ctx context.Context, t *try, b *intake.Config) {
	t.expected("What goes over the line at %s arrives unchanged.", lineOf(b.Port.Settings()))
	if u.Daemon != nil {
		t.notDone("The daemon holds the port of %s. To free it, stop the daemon for a short time (weighpost service stop), try again with --only ports, and start it again; nobody records what the balances print meanwhile.", b.ID)
		return
	}
	way, err := u.way(ctx, b)
	switch {
	case errors.Is(err, setup.ErrNobody):
		t.notDone("Nobody said what is connected to the port of %[1]s: --loop %[1]s where its pins 2 and 3 are bridged and no balance is there, --weigh %[1]s where somebody weighs. Not a byte was sent.", b.ID)
	case err != nil:
		t.notDone("Nothing was sent: %v.", err)
	case way == byLoop:
		u.loop(ctx, t, b.Port)
	case way == byWeight:
		u.weigh(ctx, t, b)
	default:
		t.notDone("The person at the command chose to leave it out.")
	}
}

func lineOf(settings string) string {
	if settings == "" {
		return "the settings of its device server"
	}
	return settings
}

// way is how a port is to be tried: as the order says, or as a person says who is there.
func (u *run) way(ctx context.Context, b *intake.Config) (string, error) {
	switch {
	case slices.Contains(u.Loop, b.ID):
		return byLoop, nil
	case slices.Contains(u.Weigh, b.ID):
		return byWeight, nil
	}
	return u.Person.Ask(ctx, setup.Question{Key: "port-" + b.ID, Default: notAtAll,
		Text: "What is connected to the port of " + b.ID + " (" + b.Port.Address + ")?",
		Choices: []setup.Choice{
			{Value: notAtAll, Text: "leave it out"},
			{Value: byLoop, Text: "pins 2 and 3 are bridged, and no balance is connected: bytes may be sent"},
			{Value: byWeight, Text: "its balance: somebody weighs, and types in what the display shows"},
		}})
}
