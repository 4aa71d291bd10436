package intake

import "fmt"

// Identity states of a balance, as records carry them.
const (
	confirmed   = "confirmed"
	unconfirmed = "unconfirmed"
)

// identity is what is known of which balance is at the other end of the cable. After a lost port it is unconfirmed,
// until the balance prints its own name. A balance that prints another name is not recorded under this one.
type identity struct {
	name  string // what this balance prints of itself, or "" where that is not known
	state string
	wrong string // the foreign name that was printed last, or ""
}

func newIdentity(cfg Config) identity {
	id := identity{name: cfg.PrintsAs, state: confirmed}
	if id.name == "" {
		id.name = cfg.Serial
	}
	return id
}

// see takes the name that a frame carries, or "". Where the frame comes from another balance, the error says so. A frame
// without a name comes from whoever gave a name last.
func (id *identity) see(printed string) error {
	switch {
	case id.name == "" || printed == "" && id.wrong == "":
		return nil
	case printed == id.name:
		id.state, id.wrong = confirmed, ""
		return nil
	case printed != "":
		id.state, id.wrong = unconfirmed, printed
	}
	return fmt.Errorf("the balance calls itself %q, and %q is expected", id.wrong, id.name)
}

// lost says that the port was lost: somebody may have plugged in another balance.
func (id *identity) lost() { id.state, id.wrong = unconfirmed, "" }

// rename says that another name is expected from now on, and whether that settles a foreign name that was printed.
func (id *identity) rename(name string) (settles bool) {
	id.name = name
	if settles = id.wrong != "" && (name == "" || name == id.wrong); settles {
		id.wrong = ""
		if name != "" {
			id.state = confirmed
		}
	}
	return settles
}
