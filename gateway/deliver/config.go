package deliver

import (
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// Config is what every sink has, whatever its kind.
type Config struct {
	ID        string          `yaml:"id" desc:"Name of the sink; its place in the journal is kept under it."`
	Entries   []string        `yaml:"entries" desc:"Kinds of entry that this sink wants, or all." enum:"all,weighing,result,unread,unread-summary,port-up,port-down,gap,start,stop,parked,sink-stopped,sink-resumed,sink-moved,clock-changed,context-changed,configured,layout-changed,command,key-rotated,time-stamped,clock-corrected,trail-reviewed,backup,restored,sealed,recording-stopped,recording-resumed,damage,refused,person-changed,signed-in,signed-out,sign-in-refused,api-key-changed,accounts-reviewed,settings-pending,settings-decided,sample-announced,parked-retried,parked-dropped,sink-tried,sink-paused,sink-continued,held-released,sink-answered,weight-changed,check-begun,check-step,check-ended,fitness-changed,check-reminder,upkeep,affected-judged,failure-closed,procedure-changed,run-begun,run-step,run-ended,request-changed,container-changed,late-entered,late-decided,run-reviewed,run-corrected,signature,signature-refused,report-issued" default:"[weighing, result]"`
	Balances  []string        `yaml:"balances" desc:"Ids of the balances whose entries this sink wants; left out: of all. Entries that are about no balance come as entries says."`
	Verdicts  string          `yaml:"verdicts" desc:"Which weighings and results, by what rules said of them. passed: judged, and failed by no rule; not-failed: passed, or judged by no rule; failed: failed by at least one. Entries of other kinds are not judged." enum:"any,passed,not-failed,failed" default:"any"`
	Hold      string          `yaml:"hold" desc:"released: weighings and results wait until somebody releases them, and go out then, marked as late; nothing waits behind them. Left out: they go out at once, but for those of a balance that is out of service, which wait where its fitness says so." enum:"released"`
	Closed    string          `yaml:"closed" desc:"Hand over closed batches, each complete when it appears and never added to: hour or day (in UTC), or how many entries each has, 1 to 1000000. Only for kinds of sink that take batches; left out: entries go out as they come."`
	Cursor    string          `yaml:"cursor" desc:"Needed once a sink has another destination than the one that its place in the journal was reached for: keep goes on at that place, now leaves out what is recorded already, start sends everything again, a time such as 2026-11-01T00:00:00Z sends what was recorded at it or later. A new sink begins with the first entry, with now at the present one, or with a time there. Each destination is begun once, restarts included."`
	BatchSize int             `yaml:"batch_size" desc:"Most entries handed over at once, 1 to 1000." default:"256"`
	BatchAge  strict.Duration `yaml:"batch_age" desc:"How long an entry may wait for others to go with it, up to 1h; 0s sends at once." default:"0s"`
	Deadline  strict.Duration `yaml:"deadline" desc:"How long one delivery may take, 1s to 10m." default:"30s"`
	RetryMin  strict.Duration `yaml:"retry_min" desc:"First wait after a failure, 10ms to 1h; it doubles with each further one." default:"1s"`
	RetryMax  strict.Duration `yaml:"retry_max" desc:"Longest wait between attempts, up to 24h." default:"1m"`
	Probe     strict.Duration `yaml:"probe" desc:"How often a stopped sink is tried again with its next entry, 1s to 24h." default:"5m"`
}

const everything = "all"

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{
		Entries:   []string{string(record.KindWeighing), string(record.KindResult)},
		Verdicts:  AnyVerdict,
		BatchSize: 256,
		Deadline:  strict.Duration(30 * time.Second),
		RetryMin:  strict.Duration(time.Second),
		RetryMax:  strict.Duration(time.Minute),
		Probe:     strict.Duration(5 * time.Minute),
	}
}

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	if err := record.CheckName(c.ID); err != nil {
		r.At("id").Fault("the name of the sink "+err.Error(), "a name of a to z, 0 to 9 and -, such as lab-broker")
	}
	c.checkEntries(r.At("entries"))
	if c.BatchSize < 1 || c.BatchSize > 1000 {
		r.At("batch_size").Fault(fmt.Sprintf("%d entries at once is out of range", c.BatchSize), "1 to 1000")
	}
	c.checkRouting(r)
	c.checkCursor(r.At("cursor"))
	c.checkClosed(r.At("closed"))
	r.At("batch_age").Within(c.BatchAge, 0, time.Hour)
	r.At("deadline").Within(c.Deadline, time.Second, 10*time.Minute)
	r.At("retry_min").Within(c.RetryMin, 10*time.Millisecond, time.Hour)
	r.At("retry_max").Within(c.RetryMax, 10*time.Millisecond, 24*time.Hour)
	r.At("probe").Within(c.Probe, time.Second, 24*time.Hour)
	if c.RetryMax < c.RetryMin {
		r.At("retry_max").Fault("is shorter than retry_min ("+c.RetryMin.String()+")", "at least retry_min")
	}
}

func (c *Config) checkEntries(r *strict.Report) {
	if len(c.Entries) == 0 {
		r.Fault("names no kind of entry: the sink would never get anything", "[weighing, result], other kinds, or [all]")
	}
	for i, k := range c.Entries {
		if k != everything && !slices.Contains(record.Kinds(), record.Kind(k)) {
			r.Index(i).Fault(fmt.Sprintf("%q is no kind of entry", k), fmt.Sprint("all, ", list(record.Kinds())))
		}
		if slices.Index(c.Entries, k) < i {
			r.Index(i).Fault(fmt.Sprintf("%q stands here twice", k), "each kind once")
		}
	}
}

// Wants lists the kinds of entry that the sink is to get.
func (c *Config) Wants() []record.Kind {
	if slices.Contains(c.Entries, everything) {
		return record.Kinds()
	}
	var wants []record.Kind
	for _, k := range c.Entries {
		wants = append(wants, record.Kind(k))
	}
	return wants
}

func list(kinds []record.Kind) string {
	text := ""
	for i, k := range kinds {
		if i > 0 {
			text += ", "
		}
		text += string(k)
	}
	return text
}
