package gateway

import (
	"runtime/debug"
	"sync"
)

// Version is the version that the program was built from: a release's number, or the commit, or "development".
var Version = sync.OnceValue(func() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "development"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return s.Value[:12]
		}
	}
	return "development"
})

// Build is where a program comes from.
type Build struct {
	Version  string `json:"version"`
	Commit   string `json:"commit,omitempty"`   // "": not known
	Time     string `json:"time,omitempty"`     // of the commit, RFC 3339
	Modified bool   `json:"modified,omitempty"` // there were changes beside the commit
}

// Built is where this program comes from, as the Go tool wrote it down.
var Built = sync.OnceValue(func() Build {
	b := Build{Version: Version()}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.time":
			b.Time = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
})
