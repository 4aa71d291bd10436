package runs

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Limits of the register of containers.
const (
	MostContainers = 20_000
	MostAtOnce     = 500 // that are registered in one go
	mostEmpties    = 20  // empty masses that are known of each
	mostUses       = 50  // runs that are known of each
	mostSort       = 63  // characters
)

// containersKnown is the register of containers.
type containersKnown struct {
	All map[string]*container `json:"all"` // by id
}

// container is one of them, with its history as far as it is known by heart: the journal has all of it.
type container struct {
	record.Container
	Since   record.UTC   `json:"since"` // when the last entry about it was made
	By      record.Actor `json:"by"`
	Empties []Emptied    `json:"empties,omitempty"` // newest first
	Uses    []Use        `json:"uses,omitempty"`    // likewise
}

// Emptied is one weighing of an empty container. One whose step was replaced is none of them any more.
type Emptied struct {
	Digits  string          `json:"digits"`
	Unit    string          `json:"unit"` // UCUM code
	At      record.UTC      `json:"at"`
	Balance string          `json:"balance,omitempty"`
	Run     string          `json:"run"`
	Entry   record.EntryRef `json:"entry"` // of the weighing, or of the slip
	Step    string          `json:"step"`
	Pass    int             `json:"pass,omitempty"`
	Attempt int             `json:"attempt,omitempty"`
	Out     bool            `json:"out,omitempty"` // a review left it out: it is known no more, until it is taken in again
}

// Use is one run that a container was in. It stays in the history also where the run was abandoned.
type Use struct {
	Run    string     `json:"run"`
	Sample string     `json:"sample,omitempty"`
	At     record.UTC `json:"at"` // when it was first identified there
}

func newContainers() containersKnown { return containersKnown{All: map[string]*container{}} }

// whole says why what was read cannot be what was written.
func (k containersKnown) whole() error {
	for id, c := range k.All {
		if c == nil || c.ID != id {
			return fmt.Errorf("it holds a container that cannot be one")
		}
	}
	return nil
}

// containerChanged takes an entry about a container.
func (r *Room) containerChanged(e *record.ContainerChanged) error {
	c := r.containers.All[e.Container.ID]
	if c == nil {
		if r.containers.All == nil {
			r.containers = newContainers()
		}
		c = &container{}
		r.containers.All[e.Container.ID] = c
	}
	c.Container, c.Since, c.By = e.Container, e.Stamp.UTC, e.By
	return nil
}

// containerUsed looks at a step of a run for what it says of a container: its empty mass, or that it was used.
func (r *Room) containerUsed(s *record.RunStep) {
	if s.Item == nil || s.Item.Container == "" {
		return
	}
	c := r.containers.All[s.Item.Container]
	if c == nil {
		return
	}
	switch s.Became {
	case record.StepTaken:
		c.usedIn(s)
		if s.Does == procedure.Empty && s.Value != nil && s.Value.Digits != "" {
			c.emptied(s)
		}
	case record.StepReplaced:
		c.Empties = slices.DeleteFunc(c.Empties, func(e Emptied) bool {
			return e.Run == s.Run.ID && e.Step == s.Step && e.Pass == s.Pass && e.Attempt == s.Attempt
		})
	}
}

// emptyCorrected follows the review of a run: an empty mass that is left out there is none that is known of the container, and one that is read
// anew is what it reads now.
func (r *Room) emptyCorrected(c *record.RunCorrected) error {
	for _, one := range r.containers.All {
		for i := range one.Empties {
			e := &one.Empties[i]
			if e.Run != c.Run.ID || e.Entry.ID != c.Of.ID {
				continue
			}
			switch c.Change {
			case record.CorrectExclude:
				e.Out = true
			case record.CorrectInclude:
				e.Out = false
			case record.CorrectReread:
				if c.Value != nil {
					e.Digits, e.Unit = c.Value.Digits, c.Value.Unit
				}
			}
		}
	}
	return nil
}

// usedIn notes the run, once, and the sample as soon as it is known.
func (c *container) usedIn(s *record.RunStep) {
	for i := range c.Uses {
		if c.Uses[i].Run == s.Run.ID {
			if c.Uses[i].Sample == "" {
				c.Uses[i].Sample = s.Item.Sample
			}
			return
		}
	}
	c.Uses = slices.Insert(c.Uses, 0, Use{s.Run.ID, s.Item.Sample, s.Stamp.UTC})
	c.Uses = c.Uses[:min(len(c.Uses), mostUses)]
}

func (c *container) emptied(s *record.RunStep) {
	one := Emptied{Digits: s.Value.Digits, Unit: s.Value.Unit, At: s.Stamp.UTC, Balance: s.Subject(), Run: s.Run.ID, Entry: refOf(s.Head),
		Step: s.Step, Pass: s.Pass, Attempt: s.Attempt}
	if s.Weighing != nil {
		one.Entry = *s.Weighing
	}
	c.Empties = slices.Insert(c.Empties, 0, one)
	c.Empties = c.Empties[:min(len(c.Empties), mostEmpties)]
}

// known gives what is known of a container. The view is locked.
func (r *Room) known(id string) (procedure.Known, bool) {
	c := r.containers.All[id]
	if c == nil {
		return procedure.Known{}, false
	}
	return procedure.Known{Container: c.Container, InRun: r.inRun(id)}, true
}

// KnownContainer is a container as it stands.
type KnownContainer struct {
	record.Container
	Since   record.UTC
	By      record.Actor
	InRun   string // the open run that it is in, or ""
	Unfit   string // why it is not to be used now, in a sentence, or ""
	Empties []Emptied
	Uses    []Use
}

// Container gives one of them.
func (r *Room) Container(id string) (KnownContainer, bool) {
	r.view.Lock()
	defer r.view.Unlock()
	c := r.containers.All[id]
	if c == nil {
		return KnownContainer{}, false
	}
	return c.standing(r.inRun(id), r.now()), true
}

// standing copies what is known of it.
func (c *container) standing(run string, now record.UTC) KnownContainer {
	k := KnownContainer{Container: c.Container, Since: c.Since, By: c.By, InRun: run, Empties: slices.Clone(c.Empties), Uses: slices.Clone(c.Uses)}
	k.Empties = slices.DeleteFunc(k.Empties, func(e Emptied) bool { return e.Out })
	k.Fields = maps.Clone(c.Fields)
	k.Unfit = unfit(&c.Container, run, now)
	return k
}

// unfit says why a container is not to be used for another run, in a sentence, or "".
func unfit(c *record.Container, run string, now record.UTC) string {
	switch {
	case c.Withdrawn:
		return fmt.Sprintf("The container %s was withdrawn.", c.ID)
	case c.Expires != nil && !now.Time().Before(c.Expires.Time()):
		return fmt.Sprintf("The container %s expired at %s.", c.ID, c.Expires)
	case run != "":
		return fmt.Sprintf("The container %s is in the run %s, which is open.", c.ID, run)
	}
	return ""
}

// ContainersAsked says which containers are wanted.
type ContainersAsked struct {
	Sort, Begin string // of this sort; with an id that begins so
	After       string // the id after which the list goes on
	Withdrawn   bool   // those too
	Limit       int
}

// Containers lists containers by id.
func (r *Room) Containers(q ContainersAsked) (list []KnownContainer) {
	r.view.Lock()
	defer r.view.Unlock()
	var ids []string
	for id, c := range r.containers.All {
		if id > q.After && (q.Withdrawn || !c.Withdrawn) && (q.Sort == "" || c.Sort == q.Sort) && strings.HasPrefix(id, q.Begin) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	if q.Limit > 0 && len(ids) > q.Limit {
		ids = ids[:q.Limit]
	}
	runs, now := r.containersInRuns(), r.now()
	for _, id := range ids {
		list = append(list, r.containers.All[id].standing(runs[id], now))
	}
	return list
}

// containersInRuns gives the open run of each container that is in one. The view is locked.
func (r *Room) containersInRuns() map[string]string {
	in := map[string]string{}
	for _, o := range r.open {
		for _, item := range o.items() {
			if item.Container != "" {
				in[item.Container] = o.begun.Run.ID
			}
		}
	}
	return in
}

// ContainerSorts lists the sorts that are in the register, without those of which all are withdrawn.
func (r *Room) ContainerSorts() []string {
	r.view.Lock()
	defer r.view.Unlock()
	seen := map[string]bool{}
	for _, c := range r.containers.All {
		if !c.Withdrawn {
			seen[c.Sort] = true
		}
	}
	return slices.Sorted(maps.Keys(seen))
}
