// Package all lists the kinds of sink. A new kind is added to the list here and nowhere else.
package all

import (
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt"
)

// Config is what a person writes about one sink: a pointer to the Config of its kind.
type Config interface {
	// Check adds every fault to r, which stands at the sink.
	Check(r *strict.Report)
	// Open makes the sink. The id is that of the sink in the configuration.
	Open(id string, env sinks.Env) (sinks.Sink, error)
}

// Kind is one kind of destination.
type Kind struct {
	Name string // as it stands behind "kind:"
	// NewConfig gives a Config with what applies where the file says nothing.
	NewConfig func() Config
}

// Kinds are all kinds, in the order in which they are told to people.
var Kinds = []Kind{
	{"mqtt", func() Config { return mqtt.Default() }},
}
