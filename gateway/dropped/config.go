package dropped

import (
	"time"

	"weighpost/parsers/strict"
)

// Config says where files with requests are dropped. Without a folder none are taken.
type Config struct {
	Folder string          `yaml:"folder" desc:"A folder into which a lab system drops files with requests and samples. Whoever may write there can tie any balance to anybody. It has to be there; weighpost makes taken, refused and working in it. Left out: none are taken. A relative path starts at the folder of this file."`
	Every  strict.Duration `yaml:"every" desc:"How often it is looked for new files, 200ms to 1h." default:"2s"`
	Valid  strict.Duration `yaml:"valid" desc:"How long after a file was written its requests still hold, 10s to 24h, where they do not say so themselves. Samples hold without limit." default:"30m"`
}

const (
	defaultEvery = 2 * time.Second
	leastEvery   = 200 * time.Millisecond
	mostEvery    = time.Hour
	defaultValid = 30 * time.Minute
	leastValid   = 10 * time.Second
	mostValid    = 24 * time.Hour
)

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Every == 0 {
		c.Every = strict.Duration(defaultEvery)
	}
	if c.Valid == 0 {
		c.Valid = strict.Duration(defaultValid)
	}
	return c
}

// Check adds what is wrong with it. It does not look at the folder, which may not be there yet.
func (c *Config) Check(r *strict.Report) {
	if c.Folder == "" {
		for key, given := range map[string]bool{"every": c.Every != 0, "valid": c.Valid != 0} {
			if given || r.At(key).Written() {
				r.At(key).Fault("is given, and there is no folder to look into", "folder: the path of a folder")
			}
		}
		return
	}
	for _, one := range []struct {
		key         string
		d           strict.Duration
		least, most time.Duration
		allowed     string
	}{{"every", c.Every, leastEvery, mostEvery, "200ms to 1h"}, {"valid", c.Valid, leastValid, mostValid, "10s to 24h"}} {
		if at := r.At(one.key); (one.d != 0 || at.Written()) && (one.d.D() < one.least || one.d.D() > one.most) {
			at.Fault(one.d.String()+" is out of range", one.allowed)
		}
	}
}
