package journal

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	"weighpost/parsers/strict"
)

// VerifyConfig is how the journal is verified while it is written.
type VerifyConfig struct {
	Every strict.Duration `yaml:"every" desc:"How often the whole journal is verified in the background, 1m to 720h: damage is found within this time and that of one pass." default:"24h"`
	Share int             `yaml:"share" desc:"How much of one processor core verifying may take, in percent, 1 to 100: the rate of a pass follows from it." default:"3"`
}

// SpaceConfig is when the disk of the journal counts as low, and what is kept for recording.
type SpaceConfig struct {
	Warn     Size            `yaml:"warn" desc:"Free space below which a condition warns, such as 5 GiB." default:"5 GiB"`
	WarnTime strict.Duration `yaml:"warn_time" desc:"A condition warns too when the disk would be full within this time at the rate of the last days." default:"720h"`
	Low      Size            `yaml:"low" desc:"Free space below which the condition becomes an error; at least twice the reserve." default:"1 GiB"`
	Reserve  Size            `yaml:"reserve" desc:"Size of the reserve file in the journal's folder, 64 KiB to 1 GiB. With less than this left beside it recording stops, before the disk is full, and resumes by itself when there is space again." default:"16 MiB"`
}

// Defaults of what a configuration leaves out.
const (
	defaultEvery    = strict.Duration(24 * time.Hour)
	defaultShare    = 3
	defaultWarn     = Size(5 << 30)
	defaultWarnTime = strict.Duration(30 * 24 * time.Hour)
	defaultLow      = Size(1 << 30)
	defaultReserve  = Size(16 << 20)
)

// WithDefaults fills in what was left out.
func (c VerifyConfig) WithDefaults() VerifyConfig {
	if c.Every == 0 {
		c.Every = defaultEvery
	}
	if c.Share == 0 {
		c.Share = defaultShare
	}
	return c
}

// Check adds every fault that it sees to r.
func (c *VerifyConfig) Check(r *strict.Report) {
	if d := c.Every.D(); r.At("every").Written() && (d < time.Minute || d > 720*time.Hour) {
		r.At("every").Fault(c.Every.String()+" is out of range", "1m to 720h")
	}
	if r.At("share").Written() && (c.Share < 1 || c.Share > 100) {
		r.At("share").Fault(strconv.Itoa(c.Share)+" is out of range", "1 to 100 percent of one processor core")
	}
}

// WithDefaults fills in what was left out.
func (c SpaceConfig) WithDefaults() SpaceConfig {
	for _, s := range []struct {
		at   *Size
		then Size
	}{{&c.Warn, defaultWarn}, {&c.Low, defaultLow}, {&c.Reserve, defaultReserve}} {
		if *s.at == 0 {
			*s.at = s.then
		}
	}
	if c.WarnTime == 0 {
		c.WarnTime = defaultWarnTime
	}
	return c
}

// Check adds every fault that it sees to r.
func (c *SpaceConfig) Check(r *strict.Report) {
	full := c.WithDefaults()
	if c.Reserve != 0 && (c.Reserve < 64<<10 || c.Reserve > 1<<30) {
		r.At("reserve").Fault(c.Reserve.String()+" is out of range", "64 KiB to 1 GiB")
	}
	if full.Low < 2*full.Reserve {
		r.At("low").Fault(full.Low.String()+" is less than twice the reserve ("+full.Reserve.String()+"): nobody would be warned",
			"at least twice the reserve")
	}
	if full.Warn < full.Low {
		r.At("warn").Fault(full.Warn.String()+" is less than low ("+full.Low.String()+")", "at least low")
	}
}

// Size is a number of bytes, written with its unit: 512 B, 16 MiB, 5 GiB.
type Size uint64

var sizeForm = regexp.MustCompile(`^([0-9]{1,7}) ?(B|KiB|MiB|GiB|TiB)$`)

var sizeUnits = []struct {
	name string
	size Size
}{{"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10}, {"B", 1}}

// String writes it with the largest unit that leaves a whole number.
func (s Size) String() string {
	for _, u := range sizeUnits {
		if s >= u.size && s%u.size == 0 {
			return fmt.Sprintf("%d %s", s/u.size, u.name)
		}
	}
	return "0 B"
}

// About writes it with three digits, for people.
func (s Size) About() string {
	for _, u := range sizeUnits[:4] {
		if s >= u.size {
			return fmt.Sprintf("%.3g %s", min(float64(s)/float64(u.size), 999), u.name)
		}
	}
	return fmt.Sprintf("%d B", uint64(s))
}

// MarshalText writes what UnmarshalText reads.
func (s Size) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads 16 MiB.
func (s *Size) UnmarshalText(b []byte) error {
	m := sizeForm.FindSubmatch(b)
	if m == nil {
		return fmt.Errorf("%s is no size: write a whole number with B, KiB, MiB, GiB or TiB, such as 16 MiB", strict.Quote(string(b)))
	}
	n, err := strconv.ParseUint(string(m[1]), 10, 64)
	if err != nil {
		return err
	}
	for _, u := range sizeUnits {
		if u.name == string(m[2]) {
			*s = Size(n) * u.size
		}
	}
	return nil
}
