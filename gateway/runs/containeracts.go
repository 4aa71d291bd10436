package runs

import (
	"context"
	"reflect"
	"strings"
	"unicode/utf8"

	"weighpost/gateway/record"
)

// RegisterContainers puts containers into the register, or changes what is known of them, all or none, and gives them as they are then. What
// is known already just so leaves no entry. A reason is needed for whatever changes. The error is a *record.NotDone that says which of them
// cannot be taken.
func (r *Room) RegisterContainers(ctx context.Context, list []record.Container, reason string, by record.Actor) ([]KnownContainer, error) {
	if err := checkContainers(list, reason); err != nil {
		return nil, err
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return nil, err
	}
	defer done()
	bodies, err := r.registers(list, reason, by)
	if err != nil {
		return nil, err
	}
	if _, err := r.view.Append(ctx, bodies...); err != nil {
		return nil, err
	}
	out := make([]KnownContainer, len(list))
	for i, c := range list {
		out[i], _ = r.Container(c.ID)
	}
	return out, nil
}

// registers decides what entries a list makes.
func (r *Room) registers(list []record.Container, reason string, by record.Actor) (bodies []record.Body, err error) {
	r.view.Lock()
	defer r.view.Unlock()
	n, stamp := len(r.containers.All), r.o.Stamp()
	for _, c := range list {
		e := &record.ContainerChanged{Container: c, Change: record.ContainerRegistered, Reason: reason, By: by, Stamp: stamp}
		if k := r.containers.All[c.ID]; k != nil {
			was := k.Container
			switch {
			case was.Withdrawn:
				return nil, notDone("the container %s was withdrawn: its id is never given to another", c.ID)
			case sameContainer(&was, &c):
				continue
			case reason == "":
				return nil, notDone("the container %s is registered with other facts: say why they change", c.ID)
			}
			e.Change, e.Before = record.ContainerAltered, &was
		} else if n++; n > MostContainers {
			return nil, notDone("the register holds %d containers, which is the most: none can be added", MostContainers)
		}
		bodies = append(bodies, e)
	}
	return bodies, nil
}

// sameContainer says whether nothing is different.
func sameContainer(a, b *record.Container) bool {
	x, y := *a, *b
	if len(x.Fields) == 0 && len(y.Fields) == 0 {
		x.Fields, y.Fields = nil, nil
	}
	if x.Expires != nil && y.Expires != nil && x.Expires.Time().Equal(y.Expires.Time()) {
		x.Expires, y.Expires = nil, nil
	}
	return reflect.DeepEqual(x, y)
}

// checkContainers says why a list cannot be taken whatever is known, or nil: every text in it comes from a form or another system.
func checkContainers(list []record.Container, reason string) error {
	if len(list) == 0 || len(list) > MostAtOnce {
		return notDone("%d containers are named: 1 to %d are registered at once", len(list), MostAtOnce)
	}
	seen := map[string]bool{}
	for i := range list {
		c := &list[i]
		if err := record.CheckContextID(c.ID); err != nil {
			return notDone("the id of container %d of the list %v", i+1, err)
		}
		if seen[c.ID] {
			return notDone("the container %s is in the list twice", c.ID)
		}
		seen[c.ID] = true
		if c.Withdrawn {
			return notDone("the container %s cannot be registered as withdrawn: withdraw it with a reason", c.ID)
		}
		if c.Sort == "" || len([]rune(c.Sort)) > mostSort || record.CheckContextID(c.Sort) != nil {
			return notDone("the container %s needs its sort, such as crucible, filter, pycnometer or vial: at most %d characters that can be seen", c.ID, mostSort)
		}
		if c.Lot != "" {
			if err := record.CheckContextID(c.Lot); err != nil {
				return notDone("the lot of the container %s %v", c.ID, err)
			}
		}
		if err := CheckFields(c.Fields); err != nil {
			return notDone("the container %s cannot be taken: %v", c.ID, err)
		}
	}
	return checkReason(reason, false)
}

// mostReason is how long a reason may be, in characters.
const mostReason = 500

// checkReason says why a reason cannot be taken, or nil.
func checkReason(reason string, needed bool) error {
	switch {
	case strings.TrimSpace(reason) == "" && needed:
		return &record.NotDone{Why: "A reason is missing: say why.", Field: "reason"}
	case !utf8.ValidString(reason), utf8.RuneCountInString(reason) > mostReason, strings.ContainsFunc(reason, hidden):
		return &record.NotDone{Why: "The reason cannot be taken: it is at most 500 characters that can be seen.", Field: "reason"}
	}
	return nil
}

// WithdrawContainer has a container not be used again. It stays in the register. The error is record.ErrNoContainer, or a *record.NotDone.
func (r *Room) WithdrawContainer(ctx context.Context, id, reason string, by record.Actor) (KnownContainer, error) {
	if err := checkReason(reason, true); err != nil {
		return KnownContainer{}, err
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return KnownContainer{}, err
	}
	defer done()
	k, known := r.Container(id)
	switch {
	case !known:
		return k, record.ErrNoContainer
	case k.Withdrawn:
		return k, notDone("the container %s was withdrawn already", id)
	}
	now, was := k.Container, k.Container
	now.Withdrawn = true
	_, err = r.view.Append(ctx, &record.ContainerChanged{Container: now, Change: record.ContainerWithdrawn, Before: &was, Reason: reason, By: by, Stamp: r.o.Stamp()})
	if err != nil {
		return KnownContainer{}, err
	}
	k, _ = r.Container(id)
	return k, nil
}
