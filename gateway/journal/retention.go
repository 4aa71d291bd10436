package journal

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"time"

	"weighpost/parsers/strict"
)

// RetentionConfig is when the bytes of old entries move out of the working file, and where copies go. Nothing is ever deleted
// by it.
type RetentionConfig struct {
	After          Age             `yaml:"after" desc:"How old entries are when they are sealed into segments, 1d to 36500d. Left out: never."`
	KeepAtLeast    Age             `yaml:"keep_at_least" desc:"Nothing younger is ever sealed, also when a person asks for it, 1d to 36500d." default:"90d"`
	Every          strict.Duration `yaml:"every" desc:"How often it is looked whether entries are old enough, 10m to 744h." default:"24h"`
	Entries        int             `yaml:"entries" desc:"Entries in a segment, 1000 to 1000000. Fewer, down to 1000, make one when they are a month over their time." default:"50000"`
	Folder         string          `yaml:"folder" desc:"Folder that gets a copy of each segment, best on another disk. It is not created: a disk that is not mounted must show. A relative path starts at the folder of this file."`
	Sinks          []string        `yaml:"sinks" desc:"Ids of sinks of the kind files that get a copy of each segment, in their folder _segments."`
	UncheckedClock bool            `yaml:"unchecked_clock" desc:"Believe stamps of a clock that no time server has checked. Without it entries are only as old as a checked stamp after them."`
}

// Defaults of what a configuration leaves out.
const (
	defaultKeepAtLeast = 90 // days
	defaultSealEvery   = strict.Duration(day)
	// sealLate is how far over their time entries become a segment that is not full.
	sealLate = 31 * day

	day = 24 * time.Hour
)

// Asked says whether entries are sealed of themselves.
func (c *RetentionConfig) Asked() bool { return c.After.Days != 0 }

// WithDefaults fills in what was left out.
func (c RetentionConfig) WithDefaults() RetentionConfig {
	if c.KeepAtLeast.Days == 0 {
		c.KeepAtLeast.Days = defaultKeepAtLeast
	}
	if c.Every == 0 {
		c.Every = defaultSealEvery
	}
	if c.Entries == 0 {
		c.Entries = defaultSegment
	}
	return c
}

// Check adds every fault that it sees to r. It does not look at the folder. Which sinks there are it cannot know.
func (c *RetentionConfig) Check(r *strict.Report) {
	full := c.WithDefaults()
	for _, a := range []struct {
		key string
		age Age
	}{{"after", c.After}, {"keep_at_least", c.KeepAtLeast}} {
		if r.At(a.key).Written() && (a.age.Days < 1 || a.age.Days > 36500) {
			r.At(a.key).Fault(a.age.String()+" is out of range", "1d to 36500d")
		}
	}
	if d := c.Every.D(); r.At("every").Written() && (d < 10*time.Minute || d > 31*day) {
		r.At("every").Fault(c.Every.String()+" is out of range", "10m to 744h")
	}
	if r.At("entries").Written() && (c.Entries < 1000 || c.Entries > 1_000_000) {
		r.At("entries").Fault(strconv.Itoa(c.Entries)+" is out of range", "1000 to 1000000")
	}
	if c.Asked() && c.After.Days < full.KeepAtLeast.Days {
		r.At("after").Fault(c.After.String()+" is shorter than keep_at_least ("+full.KeepAtLeast.String()+"): nothing so young may be sealed",
			"at least keep_at_least")
	}
	seen := map[string]bool{}
	for i, id := range c.Sinks {
		if seen[id] {
			r.At("sinks").Index(i).Fault(strict.Quote(id)+" is named twice", "each sink once")
		}
		seen[id] = true
	}
	if c.Asked() && c.Folder == "" && len(c.Sinks) == 0 {
		r.Note("sealed entries are copied nowhere: with the disk of the journal they would be lost. Name a folder or sinks for copies. " + localRules)
	}
}

// localRules is said wherever somebody sets how long something stays where.
const localRules = "Local rules decide how long records must be kept"

// Within says whether the folder for copies lies within another one.
func (c *RetentionConfig) Within(folder string) bool {
	rel, err := filepath.Rel(folder, c.Folder)
	return c.Folder != "" && err == nil && filepath.IsLocal(rel)
}

// Options gives what a configuration says of sealing at some moment. The caller adds readers, places and who asked.
func (c RetentionConfig) Options(now time.Time) SealOptions {
	c = c.WithDefaults()
	o := SealOptions{KeepAtLeast: c.KeepAtLeast.D(), Size: uint64(c.Entries), Unchecked: c.UncheckedClock}
	if c.Asked() {
		o.Before = now.Add(-c.After.D())
		o.Late = o.Before.Add(-sealLate)
		o.Rule = fmt.Sprintf("entries are sealed when they are %s old (retention: after)", days(c.After.D()))
	}
	return o
}

// Age is a number of days, written 365d. Zero is none.
type Age struct{ Days int }

// D gives the age as a length of time.
func (a Age) D() time.Duration { return time.Duration(a.Days) * day }

var ageForm = regexp.MustCompile(`^([0-9]{1,5})d$`)

// String writes 365d.
func (a Age) String() string { return fmt.Sprintf("%dd", a.Days) }

// MarshalText writes what UnmarshalText reads.
func (a Age) MarshalText() ([]byte, error) {
	if a == (Age{}) {
		return nil, nil
	}
	return []byte(a.String()), nil
}

// UnmarshalText reads 365d.
func (a *Age) UnmarshalText(b []byte) error {
	m := ageForm.FindSubmatch(b)
	if m == nil {
		return fmt.Errorf("%s is no number of days: write it as 365d", strict.Quote(string(b)))
	}
	n, err := strconv.Atoi(string(m[1]))
	*a = Age{n}
	return err
}
