package record

import (
	"errors"
	"time"
)

// ErrNoContainer says that no container of an id is registered.
var ErrNoContainer = errors.New("no container of that id is registered")

// Container is something that samples are weighed in or on, and that is weighed itself: a crucible, a filter, a pycnometer, a vial.
type Container struct {
	ID      string            `json:"id"`   // as it stands on it, or on its label
	Sort    string            `json:"sort"` // crucible, filter, pycnometer, vial, or the lab's own word
	Lot     string            `json:"lot,omitempty"`
	Expires *UTC              `json:"expires,omitempty"` // not to be used from then on
	Fields  map[string]string `json:"fields,omitempty"`
	// Withdrawn containers stay in the register and are used no more.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// What becomes of a container.
const (
	ContainerRegistered = "registered"
	ContainerAltered    = "changed"
	ContainerWithdrawn  = "withdrawn"
)

// ContainerChanged says that a container is in the register from here on, that what is known of it changed, or that it is withdrawn.
type ContainerChanged struct {
	Head
	Container Container  `json:"container"`
	Change    string     `json:"change"` // registered, changed, withdrawn
	Before    *Container `json:"before,omitempty"`
	Reason    string     `json:"reason,omitempty"`
	By        Actor      `json:"by"`
	Stamp     Stamp      `json:"stamp"`
}

func (c *ContainerChanged) Kind() Kind      { return KindContainerChanged }
func (c *ContainerChanged) Subject() string { return "" }
func (c *ContainerChanged) Time() time.Time { return c.Stamp.UTC.Time() }
