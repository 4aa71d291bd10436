package record

// How the one who acted was identified.
const (
	ActorHost     = "host"     // a command on this computer: id is the system's user
	ActorToken    = "token"    // a request that carried the token: id is the name that it gave
	ActorSchedule = "schedule" // something that the configuration asks for regularly
	ActorSoftware = "software" // the daemon of itself, because of something that it saw
	ActorUnknown  = "unknown"  // nothing that was shown identifies anybody: id is empty
)

// Actor is who did something, as far as that is known.
type Actor struct {
	ID    string `json:"id"`             // of the person, the program or the system's user
	Name  string `json:"name,omitempty"` // as it then was
	Role  string `json:"role,omitempty"` // as it then was
	By    string `json:"by"`             // how they were identified: host, token, schedule or software
	Where string `json:"where,omitempty"`
}

// Shown is the actor's name, or the id where there is none.
func (a Actor) Shown() string {
	if a.Name != "" {
		return a.Name
	}
	return a.ID
}
