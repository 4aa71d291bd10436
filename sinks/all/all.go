// Package all lists the kinds of sink that there are. It is the one place that knows them all; a new kind is one line here.
package all

import (
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/files"
	"weighpost/sinks/http"
	"weighpost/sinks/mqtt"
)

// Config is the part of a sink's configuration that its kind declares.
type Config interface {
	// Check adds every fault to r.
	Check(r *strict.Report)
	// Open makes the sink. It does not wait for the destination: one that is not there yet must not hold up the daemon.
	Open(id string, env sinks.Env) (sinks.Sink, error)
}

// Limited is a Config that cannot carry every kind of entry.
type Limited interface {
	Carries(k record.Kind) bool
}

// Kind is one kind of sink.
type Kind struct {
	Name      string
	NewConfig func() Config // with what applies where a file says nothing
}

// Kinds are in the order in which they are listed for people.
var Kinds = []Kind{
	{"mqtt", func() Config { return mqtt.Default() }},
	{"files", func() Config { return files.Default() }},
	{"http", func() Config { return http.Default() }},
}
