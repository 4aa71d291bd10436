package gateway

import (
	"context"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// Containers lists containers by id.
func (g *Gateway) Containers(q console.ContainersAsked) []console.ContainerView {
	list := []console.ContainerView{}
	for _, c := range g.runs.Containers(runs.ContainersAsked(q)) {
		list = append(list, containerView(c))
	}
	return list
}

// Container gives one of them.
func (g *Gateway) Container(id string) (console.ContainerView, bool) {
	c, known := g.runs.Container(id)
	return containerView(c), known
}

// ContainerSorts lists the sorts that are in the register.
func (g *Gateway) ContainerSorts() []string { return g.runs.ContainerSorts() }

func containerView(c runs.KnownContainer) console.ContainerView {
	v := console.ContainerView{Container: c.Container, Since: c.Since, By: c.By, Unfit: c.Unfit, InRun: c.InRun, Empty: []console.EmptyMass{}, Usages: []console.ContainerUse{}}
	for _, e := range c.Empties {
		v.Empty = append(v.Empty, console.EmptyMass{Digits: e.Digits, Unit: e.Unit, At: e.At, Balance: e.Balance, Run: e.Run, Entry: e.Entry})
	}
	for _, u := range c.Uses {
		v.Usages = append(v.Usages, console.ContainerUse(u))
	}
	return v
}

// RegisterContainers registers containers, or changes what is known of them, all or none.
func (g *Gateway) RegisterContainers(ctx context.Context, list []record.Container, reason string, by record.Actor) ([]console.ContainerView, error) {
	known, err := g.runs.RegisterContainers(ctx, list, reason, by)
	if err != nil {
		return nil, err
	}
	views := []console.ContainerView{}
	for _, c := range known {
		views = append(views, containerView(c))
	}
	return views, nil
}

// WithdrawContainer has a container not be used again.
func (g *Gateway) WithdrawContainer(ctx context.Context, id, reason string, by record.Actor) (console.ContainerView, error) {
	c, err := g.runs.WithdrawContainer(ctx, id, reason, by)
	return containerView(c), err
}
