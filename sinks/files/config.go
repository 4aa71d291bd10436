package files

import (
	"fmt"
	"path/filepath"
	"runtime"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/folder"
	"weighpost/sinks/format"
)

// Formats of the files that most sinks have.
const (
	JSON   = format.NameJSON   // one file for each entry
	NDJSON = format.NameNDJSON // one line for each entry
	CSV    = format.NameCSV    // one row for each weighing or result, RFC 4180
)

// Config is one files sink as a person writes it.
type Config struct {
	Folder        string `yaml:"folder" desc:"Folder that the files go to. It is not created: a share that is not mounted must show."`
	Mount         bool   `yaml:"mount" desc:"Refuse to write when the folder is no mount point, as when a share is not mounted. Linux only." default:"false"`
	Name          string `yaml:"name" desc:"Name of each file within the folder, with fields of the entry in braces, such as {balance}/{day}/{id}.json: with {id} each entry is a file of its own, with {batch} each closed period, else entries are added to a file as they come. Made by format if not given."`
	Manifest      bool   `yaml:"manifest" desc:"Write a file NAME.sha256 beside each file, which sha256sum -c reads. Not for files that entries are added to." default:"false"`
	Spreadsheet   bool   `yaml:"spreadsheet" desc:"CSV for spreadsheet programs: text that they would run as a formula gets an apostrophe, and the file a byte-order mark. The same as spreadsheet within csv." default:"false"`
	format.Choice `yaml:",inline"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config { return &Config{Choice: format.DefaultChoice()} }

// choice is how entries are written.
func (c *Config) choice() format.Choice {
	choice := c.Choice
	choice.CSV.Spreadsheet = choice.CSV.Spreadsheet || c.Spreadsheet
	return choice
}

// entryName is the name of the files where none is given, without the end that the format gives it.
func (c *Config) entryName() string {
	if c.Choice.Can(format.Added) {
		return "{day}"
	}
	return folder.EntryName
}

// name is the name of the files, with an end that stands for that of the format.
func (c *Config) name() string {
	if c.Name != "" {
		return c.Name
	}
	return c.entryName() + "." + c.Format
}

// way is how files come about: one for each entry, or entries added to one; closed files stand beside both.
func (c *Config) way(n folder.Name) format.Use {
	switch {
	case n.Uses(folder.Batch):
		return format.Together
	case n.Uses("id"), !c.Choice.Can(format.Added):
		return format.OneByOne
	}
	return format.Added
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
	if c.Spreadsheet && c.Format != CSV {
		r.At("spreadsheet").Fault("is only for csv: JSON has no formulas", "format: csv, or leave the key out")
	}
	name, err := folder.ParseName(c.name())
	if err != nil {
		r.At("name").Fault(err.Error(), "letters, digits, - _ . and / with fields in braces: "+folder.FieldNames())
		return
	}
	use := c.way(name)
	if r.At("closed").Written() {
		use = format.Together
	}
	c.checkName(r, name, use)
	choice := c.choice()
	choice.Check(r, use)
}

func (c *Config) checkName(r *strict.Report, name folder.Name, use format.Use) {
	closed := r.At("closed").Written()
	switch {
	case closed && c.Name != "" && !name.Uses(folder.Batch):
		r.At("name").Fault("does not tell closed files apart: with closed, the name must hold {batch}", folder.BatchName)
	case closed:
	case use == format.Together:
		r.At("name").Fault("holds {batch}, and no closed period is set", "closed: day, or a name with {id}")
	case use == format.OneByOne && !name.TellsApart(&c.Choice):
		r.At("name").Fault("does not tell entries apart: with one file for each entry, the name must hold {id}", folder.EntryName)
	case use == format.Added && (name.Uses("seq") || name.Uses("number")):
		r.At("name").Fault("would make a file for each line", "a name with {id} if that is wanted, or one without {seq} and {number}, such as {day}."+c.Format)
	}
	if c.Manifest && use == format.Added {
		r.At("manifest").Fault("is for files that are complete when they appear, and entries are added to these", "a name with {id}, or closed: day")
	}
}

// Carries says which kinds of entry the format can hold.
func (c *Config) Carries(k record.Kind) bool { return folder.Carries(&c.Choice, k) }

// Collects says whether the sink takes closed batches.
func (c *Config) Collects() (bool, string) { return folder.Collects(&c.Choice, c.Name) }

// Destination is the folder. Another name or format of the files in it is no other place.
func (c *Config) Destination() string { return "files " + filepath.Clean(c.Folder) }

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// Witness makes what tells what the folder holds. It writes nothing.
func (c *Config) Witness(id string, env sinks.Env) (sinks.Witness, error) { return New(*c, id, env) }

// Preview gives the file of an entry, or the row that would be added to one.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.preview(id, env, e, false)
}

// PreviewClosed gives the file of a closed batch, with this entry alone in it.
func (c *Config) PreviewClosed(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.preview(id, env, e, true)
}

func (c *Config) preview(id string, env sinks.Env, e record.Entry, closed bool) (sinks.Shown, error) {
	s, err := New(*c, id, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	return s.filing.Preview(c.Folder, e, closed)
}
