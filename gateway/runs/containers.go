package runs

import (
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// containersKnown is the register of containers.
type containersKnown struct{}

func newContainers() containersKnown { return containersKnown{} }

// containerChanged takes an entry about a container.
func (r *Room) containerChanged(*record.ContainerChanged) error { return nil }

// containerUsed looks at a step of a run for what it says of a container: its empty mass, or that it was used.
func (r *Room) containerUsed(*record.RunStep) {}

// known gives what is known of a container. The view is locked.
func (r *Room) known(string) (procedure.Known, bool) { return procedure.Known{}, false }
