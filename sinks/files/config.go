package files

import (
	"fmt"
	"path/filepath"
	"runtime"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Formats of the files.
const (
	JSON   = "json"   // one file for each entry
	NDJSON = "ndjson" // one line for each entry
	CSV    = "csv"    // one row for each weighing or result, RFC 4180
)

// Config is one files sink as a person writes it.
type Config struct {
	Folder      string `yaml:"folder" desc:"Folder that the files go to. It is not created: a share that is not mounted must show."`
	Mount       bool   `yaml:"mount" desc:"Refuse to write when the folder is no mount point, as when a share is not mounted. Linux only." default:"false"`
	Format      string `yaml:"format" desc:"json: one file for each entry. ndjson, csv: lines added to one file for each period." enum:"json,ndjson,csv" default:"json"`
	Name        string `yaml:"name" desc:"Name of each file within the folder, with fields of the entry in braces, such as {balance}/{day}/{id}.json. Made by format if not given."`
	Spreadsheet bool   `yaml:"spreadsheet" desc:"CSV for spreadsheet programs: text that they would run as a formula gets an apostrophe, and the file a byte-order mark." default:"false"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config { return &Config{Format: JSON} }

// names used where none is given.
var names = map[string]string{
	JSON:   "{balance}/{day}/{id}.json",
	NDJSON: "{day}.ndjson",
	CSV:    "{day}.csv",
}

func (c *Config) name() string {
	if c.Name != "" {
		return c.Name
	}
	return names[c.Format]
}

// WritesTo lists the folders that the sink writes to: a service must be allowed to.
func (c *Config) WritesTo() []string { return []string{c.Folder} }

// Check adds every fault of the configuration to r. It does not look at the folder: that may come later.
func (c *Config) Check(r *strict.Report) {
	switch {
	case c.Folder == "":
		r.At("folder").Fault("the folder is missing", "an absolute path, such as /srv/weighings")
	case !filepath.IsAbs(c.Folder):
		r.At("folder").Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", c.Folder),
			"an absolute path, such as /srv/weighings")
	}
	if c.Mount && runtime.GOOS != "linux" {
		r.At("mount").Fault("whether a folder is a mount point is only known on Linux", "leave the key out on this system")
	}
	if _, known := names[c.Format]; !known {
		r.At("format").Fault(fmt.Sprintf("%q is no format", c.Format), "json, ndjson or csv")
		return
	}
	if c.Spreadsheet && c.Format != CSV {
		r.At("spreadsheet").Fault("is only for csv: JSON has no formulas", "format: csv, or leave the key out")
	}
	t, err := parseTemplate(c.name())
	switch {
	case err != nil:
		r.At("name").Fault(err.Error(), "letters, digits, - _ . and / with fields in braces: "+fieldNames())
	case c.Format == JSON && !t.uses("id"):
		r.At("name").Fault("does not tell entries apart: with one file for each entry, the name must hold {id}", names[JSON])
	case c.Format != JSON && (t.uses("id") || t.uses("seq") || t.uses("number")):
		r.At("name").Fault("would make a file for each line", "a name without {id}, {seq} and {number}, such as "+names[c.Format])
	}
}

// Carries says which kinds of entry the format can hold.
func (c *Config) Carries(k record.Kind) bool { return c.Format != CSV || format.HasCSV(k) }

// Destination is the folder. Another name or format of the files in it is no other place.
func (c *Config) Destination() string { return "files " + filepath.Clean(c.Folder) }

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// Witness makes what tells what the folder holds. It writes nothing.
func (c *Config) Witness(id string, env sinks.Env) (sinks.Witness, error) { return New(*c, id, env) }
