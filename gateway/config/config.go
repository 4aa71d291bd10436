// Package config reads the one YAML file that a daemon runs by. It owns how the file is put together out of the Config that
// each room declares and checks for itself, what only the whole can tell (two balances on one port, a name given twice, a
// layout that is missing or wrong), the JSON Schema of the file, and the form of a configuration whose hash stands in
// every record. What the keys of a room mean is that room's business, and nothing below this package imports it.
//
//	site: north-lab
//	journal: {folder: /var/lib/weighpost}
//	balances:
//	- id: b-12
//	  port: {address: /dev/ttyUSB0, parity: even}
//	  layout: layouts/plain.yaml
//	sinks:
//	- id: broker
//	  kind: mqtt
//	  broker: mqtts://broker.example:8883
//
// All mistakes come in one go, those of the layouts among them, each with file, line and column.
package config

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"weighpost/gateway/access"
	"weighpost/gateway/backup"
	"weighpost/gateway/central"
	"weighpost/gateway/checks"
	"weighpost/gateway/clock"
	"weighpost/gateway/console"
	"weighpost/gateway/dropped"
	"weighpost/gateway/intake"
	"weighpost/gateway/journal"
	"weighpost/gateway/logging"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/review"
	"weighpost/gateway/runs"
	"weighpost/gateway/settings"
	"weighpost/gateway/timestamp/authority"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

// Config is everything that a daemon is told.
type Config struct {
	Site     string                `yaml:"site" desc:"The site's name, which begins every id and topic: a to z, 0 to 9 and -. It stays as it is for as long as the journal lives."`
	Journal  Journal               `yaml:"journal" desc:"Where entries are recorded."`
	Page     console.Config        `yaml:"page" desc:"Where the page is found."`
	Clock    clock.Config          `yaml:"clock" desc:"Which time servers check the clock, and what counts as checked."`
	Log      logging.Config        `yaml:"log" desc:"How the daemon writes its log, on standard error."`
	Balances []intake.Config       `yaml:"balances" desc:"The balances, each with its port and its layout."`
	Sinks    []Sink                `yaml:"sinks" desc:"Where entries are delivered to."`
	People   access.Config         `yaml:"people" desc:"Who may do what, and how people and programs show who they are."`
	Samples  *intake.SamplesConfig `yaml:"samples" desc:"Which samples balances take that say nothing of their own. Left out: any, and what is unusual is asked about."`
	Requests dropped.Config        `yaml:"requests" desc:"Files with requests and samples that a lab system drops into a folder."`
	Backup   backup.Config         `yaml:"backup" desc:"When backups of the journal are made, and where they are kept."`
	Checks   []checks.Definition   `yaml:"checks" desc:"The checks with reference weights that balances can get."`
	Fitness  Fitness               `yaml:"fitness" desc:"Which checks each balance gets and how often, and what becomes of weighings on a balance that is not fit."`
	// Procedures says by which rules of the lab they are adopted. They themselves are in the journal.
	Procedures runs.Config     `yaml:"procedures" desc:"By which rules of the lab procedures are adopted, and weights typed in from their slips. Procedures themselves are written and adopted on the page, and kept in the journal."`
	Review     review.Config   `yaml:"review" desc:"By which rules of the lab runs are reviewed and corrected. How many people approve a run is said by its procedure."`
	Reports    report.Config   `yaml:"reports" desc:"Templates of reports on paper: which parts each has, in which order, and the lab's own words; and how reports for programs are written."`
	Settings   settings.Config `yaml:"settings" desc:"Who adopts a change of the settings before it holds."`
	Central    central.Config  `yaml:"central" desc:"Where signed settings are pulled from that hold at many sites, and whose signature counts."`

	file    string
	layouts map[string]*layout.Layout // by id of balance
	notes   strict.Faults

	unwritten Unwritten // while it is loaded
}

// Journal says where the journal is kept.
type Journal struct {
	Folder string `yaml:"folder" desc:"The journal's folder, on a disk of this computer; made if it is not there. A relative path starts at the folder of this file."`

	Verify journal.VerifyConfig `yaml:"verify" desc:"How the journal is verified while it is written."`
	Space  journal.SpaceConfig  `yaml:"space" desc:"When the disk of the journal counts as low, and what is kept for recording."`

	Retention journal.RetentionConfig `yaml:"retention" desc:"When the bytes of old entries move out of the working file into segments. Local rules decide how long records must be kept; weighpost never deletes one."`

	Timestamp authority.Config `yaml:"timestamp" desc:"An outside authority that puts its time on the journal's checkpoints."`
}

// LoadFile reads a configuration from a file. The error is a strict.Faults, or says why the file cannot be read.
func LoadFile(path string) (*Config, error) {
	src, err := ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the configuration cannot be read: %w", err)
	}
	c, faults := Load(path, src)
	return c, faults.Err()
}

// Load reads a configuration. The name is the file's path: layouts and the journal's folder are found relative to its
// folder. Layouts are read too, and their faults carry their own file's name. With faults there is no Config.
func Load(name string, src []byte) (*Config, strict.Faults) { return load(name, src, nil) }

func load(name string, src []byte, unwritten Unwritten) (*Config, strict.Faults) {
	c := &Config{unwritten: unwritten}
	doc, faults := strict.Load(name, src, c)
	r := doc.Report()
	c.check(r)
	c.checkBackup(r.At("backup"), filepath.Dir(name))
	c.checkRetention(r.At("journal").At("retention"), filepath.Dir(name))
	within := c.loadLayouts(r, filepath.Dir(name))
	faults = append(faults, r.Faults()...)
	faults.Sort()
	faults = append(faults, within...)
	if len(faults) > 0 {
		return nil, faults
	}
	for _, path := range c.paths() {
		*path = beside(filepath.Dir(name), *path)
	}
	c.file, c.notes, c.unwritten = name, r.Notes(), nil
	return c, nil
}

// paths are the settings that start at the folder of the file where they are relative.
func (c *Config) paths() []*string {
	all := []*string{&c.Journal.Folder, &c.Journal.Timestamp.CAFile, &c.Journal.Retention.Folder, &c.Backup.Folder, &c.Requests.Folder,
		&c.Page.TokenFile, &c.Page.TLS.Certificate, &c.Page.TLS.Key, &c.Central.CAFile}
	if !c.Central.IsURL() {
		all = append(all, &c.Central.From)
	}
	return all
}

// Layout gives the layout of a balance, or nil if there is no such balance.
func (c *Config) Layout(balance string) *layout.Layout { return c.layouts[balance] }

// File is the path of the file that the configuration was read from, "" where it was put together otherwise.
func (c *Config) File() string { return c.file }

// TokenFile is where the token for requests lies that change something.
func (c *Config) TokenFile() string {
	return cmp.Or(c.Page.TokenFile, filepath.Join(c.Journal.Folder, "api.token"))
}

// LayoutTexts gives the source of every layout that a balance has, by its hash.
func (c *Config) LayoutTexts() map[string]string {
	texts := make(map[string]string)
	for _, l := range c.layouts {
		texts[l.Hash()] = l.Text()
	}
	return texts
}

// Notes are remarks about a configuration that is valid: what works and is still worth knowing.
func (c *Config) Notes() strict.Faults { return c.notes }

// check adds every fault that the file shows by itself.
func (c *Config) check(r *strict.Report) {
	if err := record.CheckName(c.Site); err != nil {
		r.At("site").Fault("the name of the site "+err.Error(), "a name of a to z, 0 to 9 and -, such as north-lab")
	}
	if c.Journal.Folder == "" {
		r.At("journal").At("folder").Fault("is missing: nothing can be recorded without it", "the path of a folder, such as /var/lib/weighpost")
	}
	c.Journal.Verify.Check(r.At("journal").At("verify"))
	c.Journal.Space.Check(r.At("journal").At("space"))
	c.Journal.Timestamp.Check(r.At("journal").At("timestamp"))
	c.Page.Check(r.At("page"))
	c.checkOpenPage(r)
	c.Clock.Check(r.At("clock"))
	c.People.Check(r.At("people"))
	c.Settings.Check(r.At("settings"), Sections())
	c.Requests.Check(r.At("requests"))
	c.Central.Check(r.At("central"))
	c.checkFitness(r)
	c.Procedures.Check(r.At("procedures"))
	c.Review.Check(r.At("review"))
	c.Reports.Check(r.At("reports"))
	if len(c.Balances) == 0 {
		r.At("balances").Note("no balance is configured: nothing will be recorded")
	}
	if len(c.Sinks) == 0 {
		r.At("sinks").Note("no sink is configured: weighings stay in the journal")
	}
	if c.Samples != nil {
		c.Samples.Check(r.At("samples"))
	}
	c.Balances = slices.Clone(c.Balances) // another configuration may share them
	for i := range c.Balances {
		c.Balances[i].CommonSamples = c.Samples
	}
	c.checkBalances(r.At("balances"))
	c.checkSinks(r.At("sinks"))
}

// beside gives a path that starts at a folder, unless it is absolute.
func beside(folder, path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(folder, path)
}

// ReadFile reads a file that a person wrote. It reads no further than it takes to see that a file is too large.
func ReadFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s is a folder", path)
	}
	return io.ReadAll(io.LimitReader(f, 1<<20+1))
}
