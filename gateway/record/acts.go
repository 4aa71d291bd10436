package record

// How the one who acted was identified.
const (
	ActorHost     = "host"     // a command on this computer: id is the system's user
	ActorToken    = "token"    // a request that carried the token: id is the name that it gave
	ActorSchedule = "schedule" // something that the configuration asks for regularly
	ActorSoftware = "software" // the daemon of itself, because of something that it saw
	ActorUnknown  = "unknown"  // nothing that was shown identifies anybody: id is empty

	ActorPassword  = "password"      // a person's own secret, kept here
	ActorDirectory = "directory"     // a person's secret, judged by the directory
	ActorCached    = "cached"        // a person's secret, as the directory judged it last, while that was not to be had
	ActorOpenID    = "openid"        // a person, by an OpenID Connect provider
	ActorBadge     = "badge"         // a badge or code that was scanned: it identifies and does not authenticate
	ActorBadgePIN  = "badge-and-pin" // a badge and a PIN at the bench
	ActorAPIKey    = "api-key"       // a program's key: id is the key's
	ActorBroker    = "broker"        // whoever may publish to a broker: id is that of the destination there, where is the topic
	ActorSigned    = "signed"        // whoever holds a key that signs central settings: id is the key's, where is the address of the file
	ActorFile      = "file"          // whoever may write into the folder of requests: id is the folder's name, where is the file's
)

// Actor is who did something, as far as that is known.
type Actor struct {
	ID    string `json:"id"`             // of the person, the program or the system's user
	Name  string `json:"name,omitempty"` // as it then was
	Role  string `json:"role,omitempty"` // as it then was
	By    string `json:"by"`             // how they were identified: one of the words above
	Where string `json:"where,omitempty"`
	// Request marks the request that the act was done for, where its sender gave it a key of its own: see RequestMark.
	Request string `json:"request_mark,omitempty"`
}

// Shown is the actor's name, or the id where there is none.
func (a Actor) Shown() string {
	if a.Name != "" {
		return a.Name
	}
	return a.ID
}
