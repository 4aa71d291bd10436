package backup

import (
	"fmt"
	"path/filepath"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Config is when backups are made and where they are kept, as a person writes it. Without a folder and a sink none are made.
type Config struct {
	Folder     string          `yaml:"folder" desc:"Folder that backups are kept in, best on another disk. It is not created: a disk that is not mounted must show. A relative path starts at the folder of this file."`
	Sinks      []string        `yaml:"sinks" desc:"Ids of sinks of the kind files that get a copy of each backup, in their folder _backups."`
	Every      strict.Duration `yaml:"every" desc:"How often a backup is made, 10m to 744h." default:"24h"`
	At         TimeOfDay       `yaml:"at" desc:"Time of day at which backups are made, by the clock of this computer, such as 02:30; every is then a multiple of 24h. Left out: every, counted from the last one."`
	Keep       Keep            `yaml:"keep" desc:"How many backups are kept in each place. The newest one is never removed, nor anything that weighpost did not make."`
	Recipients []string        `yaml:"recipients" desc:"Public keys of age (age1…), made with age-keygen, for whom secrets go along encrypted. Left out: no secret goes along, and each must be entered again after a restore."`
	Verify     strict.Duration `yaml:"verify" desc:"How often the newest backup in each place is read again and verified, 1h to 8784h." default:"168h"`
	Overdue    strict.Duration `yaml:"overdue" desc:"How old the newest backup may become before a condition says so, at least every. Left out: twice every."`
}

// Keep says how many backups are kept in each place. What exceeds either bound is removed, after a new one was made.
type Keep struct {
	Count int `yaml:"count" desc:"At most so many are kept, 1 to 10000." default:"14"`
	Days  int `yaml:"days" desc:"None is kept that is older than so many days, 1 to 36500. Left out: age does not count. While the clock is unchecked age is not judged."`
}

const (
	defaultEvery  = strict.Duration(24 * time.Hour)
	defaultVerify = strict.Duration(7 * 24 * time.Hour)
	defaultCount  = 14
	day           = 24 * time.Hour
)

// Asked says whether backups are configured.
func (c *Config) Asked() bool { return c.Folder != "" || len(c.Sinks) > 0 }

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Every == 0 {
		c.Every = defaultEvery
	}
	if c.Keep.Count == 0 {
		c.Keep.Count = defaultCount
	}
	if c.Verify == 0 {
		c.Verify = defaultVerify
	}
	if c.Overdue == 0 {
		c.Overdue = 2 * c.Every
	}
	return c
}

// Check adds every fault of the configuration to r. It does not look at the folder. Which sinks there are it cannot know.
func (c *Config) Check(r *strict.Report) {
	full := c.WithDefaults()
	if !c.Asked() {
		for _, key := range []string{"every", "at", "keep", "recipients", "verify", "overdue"} {
			if r.At(key).Written() {
				r.At(key).Fault("is given, and no backup is made without a folder or a sink to keep it in", "folder: /path, or sinks: [id]")
			}
		}
		r.Note("no backup is configured: when the disk of the journal fails, everything recorded is lost but for what sinks hold. See: weighpost help backup")
		return
	}
	between(r.At("every"), full.Every, 10*time.Minute, 31*day)
	between(r.At("verify"), full.Verify, time.Hour, 366*day)
	if c.At.Set && full.Every.D()%day != 0 {
		r.At("every").Fault(full.Every.String()+" is no whole number of days, and a time of day is given with at", "24h, 48h …, or no at")
	}
	if r.At("overdue").Written() && c.Overdue < full.Every {
		r.At("overdue").Fault(c.Overdue.String()+" is shorter than every ("+full.Every.String()+")", "at least every")
	}
	if r.At("keep").At("count").Written() && (c.Keep.Count < 1 || c.Keep.Count > 10000) {
		r.At("keep").At("count").Fault(fmt.Sprintf("%d is out of range", c.Keep.Count), "1 to 10000")
	}
	if r.At("keep").At("days").Written() && (c.Keep.Days < 1 || c.Keep.Days > 36500) {
		r.At("keep").At("days").Fault(fmt.Sprintf("%d is out of range", c.Keep.Days), "1 to 36500")
	}
	c.checkRecipients(r.At("recipients"))
	seen := map[string]bool{}
	for i, id := range c.Sinks {
		if seen[id] {
			r.At("sinks").Index(i).Fault(fmt.Sprintf("%.40q is named twice", id), "each sink once")
		}
		seen[id] = true
	}
}

func (c *Config) checkRecipients(r *strict.Report) {
	for i, key := range c.Recipients {
		if _, err := ParseRecipients([]string{key}); err != nil {
			r.Index(i).Fault(err.Error(), "the public key that age-keygen prints: age1…")
		}
	}
	if len(c.Recipients) == 0 {
		r.Note("no recipient is configured for backups: no secret goes along, and after a restore each must be entered again")
	}
}

// Within says whether the folder for backups lies within another one.
func (c *Config) Within(folder string) bool {
	rel, err := filepath.Rel(folder, c.Folder)
	return c.Folder != "" && err == nil && filepath.IsLocal(rel)
}

func between(r *strict.Report, d strict.Duration, least, most time.Duration) {
	if d.D() < least || d.D() > most {
		r.Fault(d.String()+" is out of range", strict.Duration(least).String()+" to "+strict.Duration(most).String())
	}
}

// TimeOfDay is a time by the clock on the wall, without a date.
type TimeOfDay struct {
	Set          bool
	Hour, Minute int
}

// UnmarshalText reads 02:30.
func (t *TimeOfDay) UnmarshalText(b []byte) error {
	at, err := time.Parse("15:04", string(b))
	if err != nil || len(b) != len("02:30") {
		return fmt.Errorf("%.20q is no time of day: write it as 02:30", b)
	}
	*t = TimeOfDay{true, at.Hour(), at.Minute()}
	return nil
}

// MarshalText writes what UnmarshalText reads.
func (t TimeOfDay) MarshalText() ([]byte, error) {
	if !t.Set {
		return nil, nil
	}
	return fmt.Appendf(nil, "%02d:%02d", t.Hour, t.Minute), nil
}

// Due says when the next backup is to be made, after one that was made at last; the zero time: there is none, and it is due.
// With a time of day it is the first such time at least half a day short of every after the last one, so that a backup that
// took its time, or one made by hand in the afternoon, does not move the next.
func (c *Config) Due(last time.Time) time.Time {
	if last.IsZero() {
		return last
	}
	if !c.At.Set {
		return last.Add(c.Every.D())
	}
	from := last.Add(c.Every.D() - day/2).Local()
	due := time.Date(from.Year(), from.Month(), from.Day(), c.At.Hour, c.At.Minute, 0, 0, time.Local)
	if due.Before(from) {
		due = time.Date(from.Year(), from.Month(), from.Day()+1, c.At.Hour, c.At.Minute, 0, 0, time.Local)
	}
	return due
}

// judgesAge says whether a stamp is sure enough to remove a backup for its age.
func judgesAge(now record.Stamp) bool { return now.Clock != record.ClockUnchecked }
