package fitness

import (
	"cmp"
	"fmt"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Config says how the fitness of a balance is looked after.
type Config struct {
	Checks  []Scheduled `yaml:"schedule" desc:"Which checks the balance gets, and how often. Left out: none is due, and whether the balance is fit is unknown."`
	Unfit   string      `yaml:"unfit" desc:"What becomes of a weighing on a balance that is out of service. mark: it is recorded, marked, and delivered. hold: it is recorded and marked, and sinks get it once somebody releases it. refuse: as hold, and a bench screen takes none. Whatever is chosen, what the balance printed is in the journal: a balance on a serial line cannot be kept from showing a weight." enum:"mark,hold,refuse" default:"hold"`
	Overdue string      `yaml:"overdue" desc:"What an overdue check means. warn: weighings carry the state overdue. out-of-service: the balance is out of service until a check has passed." enum:"warn,out-of-service" default:"warn"`
	Minimum Minimum     `yaml:"minimum_weight" desc:"The least net quantity that may be weighed. Of several, the greatest holds. It is never Min of OIML R 76-1."`
}

// Scheduled is a check that a balance gets again and again.
type Scheduled struct {
	Check     string          `yaml:"check" desc:"The name of a check, as checks has it."`
	Every     string          `yaml:"every" desc:"day, week, month, quarter or year, or a number of days such as 90 days: counted from the day of the last one that passed, in the time zone of the site."`
	BeforeUse bool            `yaml:"before_use" desc:"Whether the check is overdue as soon as it is due, so that the first weighing of the day comes after it." default:"false"`
	Grace     strict.Duration `yaml:"grace" desc:"How long after it is due it becomes overdue, up to 2160h." default:"24h"`
	After     []string        `yaml:"after" desc:"After what it is due at once." enum:"adjustment,move,repair,calibration,maintenance"`
}

// Minimum says where a minimum weight comes from.
type Minimum struct {
	Mass  string `yaml:"mass" desc:"A mass that the lab has set, such as 20 mg."`
	USP41 bool   `yaml:"usp41" desc:"USP <41>: 2000 times the standard deviation that the last repeatability check with ten weighings or more found, or 820 d where that is more." default:"false"`
	// Unmarked says what a print is that does not say whether it is gross or net.
	Unmarked string `yaml:"unmarked" desc:"What a print is that does not say whether it is gross or net, as many balances print. not-judged: nobody knows, and it is not judged. net: the lab tares, and it is judged as net." enum:"not-judged,net" default:"not-judged"`
	CG18     *CG18  `yaml:"certificate" desc:"The uncertainty in use of the balance's last calibration certificate, U(W) = alpha + beta W, as EURAMET Calibration Guide 18 does it: alpha SF / (Req - beta SF)."`
}

// CG18 is what a minimum weight by a certificate takes beside it.
type CG18 struct {
	Required string `yaml:"required" desc:"The relative accuracy that is required, in per cent, such as 0.10."`
	Safety   string `yaml:"safety" desc:"The safety factor, 1 to 10, for what varies between two calibrations, such as 2."`
}

// Policies on weighings of a balance that is out of service.
const (
	Mark   = "mark"
	Hold   = "hold"
	Refuse = "refuse"

	Warn          = "warn"
	OutsideLimits = "out-of-service"
)

// Default is a Config with what applies where the file says nothing.
func Default() Config { return Config{Unfit: Hold, Overdue: Warn} }

// usualGrace is the grace of a scheduled check whose settings say nothing of it.
const usualGrace = strict.Duration(24 * time.Hour)

var days = regexp.MustCompile(`^([1-9][0-9]{0,3}) days$`)

// Check fills in what is left out, and adds what is wrong with it. known says whether there is a check of a name.
func (c *Config) Check(r *strict.Report, known func(name string) bool) {
	c.Unfit, c.Overdue = cmp.Or(c.Unfit, Hold), cmp.Or(c.Overdue, Warn)
	if !slices.Contains([]string{Mark, Hold, Refuse}, c.Unfit) {
		r.At("unfit").Fault(fmt.Sprintf("%.40q is nothing that becomes of a weighing", c.Unfit), "mark, hold or refuse")
	}
	if c.Overdue != Warn && c.Overdue != OutsideLimits {
		r.At("overdue").Fault(fmt.Sprintf("%.40q is nothing that an overdue check means", c.Overdue), "warn or out-of-service")
	}
	for i := range c.Checks {
		c.Checks[i].check(r.At("schedule").Index(i), known)
		if slices.IndexFunc(c.Checks, func(s Scheduled) bool { return s.Check == c.Checks[i].Check }) < i {
			r.At("schedule").Index(i).At("check").Fault(fmt.Sprintf("%q stands here twice", c.Checks[i].Check), "each check once")
		}
	}
	c.Minimum.check(r.At("minimum_weight"))
}

func (s *Scheduled) check(r *strict.Report, known func(string) bool) {
	if !known(s.Check) {
		r.At("check").Fault(fmt.Sprintf("there is no check %.40q", s.Check), "the name of one under checks")
	}
	if _, ok := interval(s.Every); !ok {
		r.At("every").Fault(fmt.Sprintf("%.40q is no interval", s.Every), "day, week, month, quarter, year, or a number of days such as 90 days")
	}
	if !r.At("grace").Written() && s.Grace == 0 {
		s.Grace = usualGrace
	}
	r.At("grace").Within(s.Grace, 0, 90*24*time.Hour)
	for i, a := range s.After {
		if !slices.Contains([]string{record.Adjusted, record.Moved, record.Repaired, record.Calibrated, record.Serviced}, a) {
			r.At("after").Index(i).Fault(fmt.Sprintf("%.40q is nothing that is done to a balance", a), "adjustment, move, repair, calibration, maintenance")
		}
	}
}

func (m *Minimum) check(r *strict.Report) {
	if m.Mass != "" {
		if _, err := metrology.ParseMass(m.Mass); err != nil {
			r.At("mass").Fault(err.Error(), "a mass such as 20 mg")
		}
	}
	if m.Unmarked != "" && m.Unmarked != "net" && m.Unmarked != "not-judged" {
		r.At("unmarked").Fault(fmt.Sprintf("%.40q is nothing that a print can be", m.Unmarked), "net or not-judged")
	}
	if m.CG18 == nil {
		return
	}
	if p, ok := metrology.ParseNumber(m.CG18.Required); !ok || p.Sign() <= 0 || p.Cmp(big.NewRat(10, 1)) > 0 {
		r.At("certificate").At("required").Fault(fmt.Sprintf("%.20q is no accuracy that could be required", m.CG18.Required), "per cent, above 0 and up to 10, such as 0.10")
	}
	if f, ok := metrology.ParseNumber(m.CG18.Safety); !ok || f.Cmp(big.NewRat(1, 1)) < 0 || f.Cmp(big.NewRat(10, 1)) > 0 {
		r.At("certificate").At("safety").Fault(fmt.Sprintf("%.20q is no safety factor", m.CG18.Safety), "1 to 10")
	}
}

// interval gives what a schedule adds to the day of the last check.
func interval(every string) (add func(time.Time) time.Time, ok bool) {
	date := func(y, m, d int) func(time.Time) time.Time {
		return func(t time.Time) time.Time {
			next := t.AddDate(y, m, d)
			if d == 0 && next.Day() != t.Day() { // there is no 31st: its last day, and not a day of the month after it
				next = next.AddDate(0, 0, -next.Day())
			}
			return next
		}
	}
	switch strings.TrimSpace(every) {
	case "day":
		return date(0, 0, 1), true
	case "week":
		return date(0, 0, 7), true
	case "month":
		return date(0, 1, 0), true
	case "quarter":
		return date(0, 3, 0), true
	case "year":
		return date(1, 0, 0), true
	}
	if m := days.FindStringSubmatch(every); m != nil {
		n, _ := strconv.Atoi(m[1])
		return date(0, 0, n), true
	}
	return nil, false
}
