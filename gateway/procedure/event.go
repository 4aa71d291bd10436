package procedure

import (
	"math/big"

	"weighpost/gateway/record"
)

// Act is what a person does to a run: one of these.
type Act struct {
	Scan    string      // identify: what was scanned or typed
	Answer  string      // ask, environment: digits, a text, a choice, a date (YYYY-MM-DD)
	Unit    string      // ask, environment: of the digits; "": that of the step
	Read    *record.UTC // environment: what an instrument has sent is taken: when it showed that, as whoever acts was shown it
	Done    bool        // instruct, tare, wait
	Yes     bool        // confirm: by the second person, who is the one that acts
	Late    string      // empty, weigh: the entry of a slip that was typed in and confirmed, in place of a weighing
	Back    string      // the step before is done again, for this reason
	Repeat  string      // this step is done again, for this reason: its value is outside its limits, and may be repeated
	Allow   string      // the run goes on with a value outside its limits, for this reason
	Ref     string      // of an investigation, beside Allow
	Leave   string      // the items that are missing are left out, for this reason
	Aside   bool        // the run is put aside, so that its balance is free
	At      string      // the run goes on at this balance
	Over    bool        // whoever acts takes the run over
	Abandon string      // the run ends without results, for this reason
}

// Facts are what a run cannot know of itself, as they are at the moment of an event.
type Facts struct {
	Balance     record.Balance // of the event; the zero value: none
	Readability *big.Rat       // in grams; nil: not known
	Capacity    *big.Rat
	Minimum     *record.MinimumWeight // in force at the balance; nil: none
	NoMinimum   string                // why there is none, as far as that can be said
	Unfit       string                // why no weight of the balance may be used now, in a sentence; "": it may
	Shown       *record.Value         // what the balance shows now, where that is known
	// Container gives what is known of a container, or false where it is not registered.
	Container func(id string) (Known, bool)
	// Late gives a slip that was typed in and confirmed, or says why it cannot be used.
	Late func(entry string) (*record.LateEntered, error)
	// May says whether whoever acts may let a run go on with a value outside its limits.
	MayAllow bool
	// MaySecond says whether whoever acts may be a second person.
	MaySecond bool
	// Air gives the temperature, humidity or pressure that an instrument at the balance has sent, as long as it may be taken; or nil, and why there is
	// none. It is nil itself where nothing is known of the air.
	Air func(what string) (r *record.AirReading, why string)
}

// Known is what is known of a container.
type Known struct {
	record.Container
	InRun string // the open run that it is in; "": none
}

// Instruction is the one thing to do next.
type Instruction struct {
	Step     string // id; "" once the run has ended
	Do       string
	Number   int // of the step among those of the procedure, from 1
	Of       int
	Block    string
	Pass     int // from 1; 0 outside blocks, or before the item is identified
	Passes   int // how many there will be, as far as is known
	Say      string
	Item     *record.RunItem
	Waiting  string   // one of the words below
	Choices  []string // of an answer
	Kind     string   // of an answer: quantity, text, choice, date
	Unit     string
	Air      string // of an answer: what an instrument at the balance may have sent of it: temperature, humidity, pressure; "": it is typed
	On       string // the name of the balance that the step wants, and which one that is, where it is known
	Balance  string
	Target   *Target
	Limits   string     // in words
	Found    *FoundStep // outside: what is outside its limits
	Due      *record.UTC
	Left     []record.RunItem // items that are not done yet in this block
	MayBack  string           // the step that Back would do again; "": none
	Undoes   []Undone         // what Back takes back, or Repeat of a value outside its limits: the step that is done again first
	Repeats  int              // how often this step may still be done again
	Note     string           // what was stopped or left unused last, and why
	Result   bool
	Explains string // of a compute step that could not be computed: why
}

// What a run waits for.
const (
	ForScan    = "scan"
	ForAnswer  = "answer"
	ForDone    = "done"
	ForWeight  = "weight"
	ForBalance = "balance" // the run is at no balance, or at one that the step does not want
	ForSecond  = "second person"
	ForTime    = "time"
	ForAllowed = "allowed" // a value is outside its limits: it has to be repeated, or somebody with the right to has to let the run go on
	ForEnd     = "end"     // all is done: the end is on its way to the journal
	ForNothing = "ended"
)

// Target is what a weighing is to reach, as a screen shows it beside the live weight. All are decimals in Unit, exactly.
type Target struct {
	Unit              string // UCUM code
	Wanted, Low, High string
	Offset            string // what is to be taken off what the balance shows, to give the net mass; "0" where nothing is
	Removing          bool   // the net mass is the offset less what the balance shows
	Adding            bool
	Readability       string // of the balance, in Unit; "": not known
}

// Undone is an attempt that would not count any more.
type Undone struct {
	Entry *record.RunStep
	Label string
	For   string // of a wait: how long it lasts again
}

// FoundStep is what a step has found, for whoever looks at the run.
type FoundStep struct {
	Entry *record.RunStep
	// Counts: it is what the step found. Otherwise it was replaced, stopped or left unused.
	Counts bool
}

// Found is what a run that has ended found.
type Found struct {
	Results           []record.RunResult
	Verdict           string // passed, warned, failed, not judged: the worst of the results and of what was allowed, of the items that are not left out
	LeftOut           []record.RunLeft
	Steps             []record.EntryRef
	Weighings, Unused []record.EntryRef
	Balances, People  []string
}
