package procedure

import (
	"weighpost/parsers/strict"
)

// What a step does.
const (
	Identify    = "identify"    // a sample, a container, a reagent's lot: scanned or typed, and held against what is expected
	Ask         = "ask"         // a number with its unit, a text, a choice or a date, within limits
	Instruct    = "instruct"    // something to do, until somebody says that it is done
	Tare        = "tare"        // the balance is set to zero, with or without a container on it
	Empty       = "empty"       // the mass of the empty container is weighed, and kept with the container
	Weigh       = "weigh"       // a weighing, perhaps towards a target
	Compute     = "compute"     // a formula
	Decide      = "decide"      // which step is next, by a condition
	Confirm     = "confirm"     // a second person looks and says yes
	Wait        = "wait"        // so long, at least
	Environment = "environment" // temperature, humidity or pressure: typed, or read off an instrument
)

// Definition is one procedure as a lab wants it.
type Definition struct {
	Name       string             `yaml:"procedure" json:"procedure" desc:"The procedure's name: a to z, 0 to 9 and -."`
	Title      string             `yaml:"title" json:"title" desc:"What it is for, in a few words."`
	Source     string             `yaml:"source" json:"source,omitempty" desc:"What it follows: a standard with its clause, the lab's own instruction."`
	Cautions   []string           `yaml:"cautions" json:"cautions,omitempty" desc:"What may go wrong, shown before a run begins and on its result."`
	About      string             `yaml:"about" json:"about" desc:"What a run is about. nothing: no sample; samples: one or several; containers: one or several; both: samples, each in a container." enum:"nothing,samples,containers,both" default:"samples"`
	Most       int                `yaml:"most" json:"most,omitempty" desc:"How many samples or containers a run may be about, 1 to 500." default:"1"`
	Parameters []Parameter        `yaml:"parameters" json:"parameters,omitempty" desc:"What a request or the person gives before a run begins."`
	Balances   map[string]Balance `yaml:"balances" json:"balances,omitempty" desc:"Which balances it needs, each under a name that steps use."`
	Blocks     []Block            `yaml:"blocks" json:"blocks,omitempty" desc:"Steps that are done several times."`
	Steps      []Step             `yaml:"steps" json:"steps" desc:"The steps, in their order."`
	Results    []string           `yaml:"results" json:"results" desc:"The names of those values that are the result."`
	Abandon    bool               `yaml:"abandon_needs_reviewer" json:"abandon_needs_reviewer,omitempty" desc:"Whether a run of it can be abandoned by a reviewer only, once something was weighed."`
	Review     Review             `yaml:"review" json:"review" desc:"Who approves what a run of it found."`

	plan *plan // made by Parse of a definition without mistakes
}

// Review says who approves a run. Left out, one person does, who did not perform it.
type Review struct {
	Approvals  int  `yaml:"approvals" json:"approvals,omitempty" desc:"How many people sign a run before it is approved. 1: somebody reviews and approves it; 2: somebody reviews it, and somebody else approves it." default:"1"`
	SamePerson bool `yaml:"same_person" json:"same_person,omitempty" desc:"Whether whoever performed a run may review it. Left out, nobody reviews what they did themselves (four eyes)."`
}

// Wanted is how many people sign a run before it is approved: 1 or 2.
func (r Review) Wanted() int { return max(r.Approvals, 1) }

// Parameter is a value that is given before a run begins.
type Parameter struct {
	Name    string   `yaml:"name" json:"name" desc:"Under which formulas know it."`
	Label   string   `yaml:"label" json:"label,omitempty" desc:"What people read."`
	Kind    string   `yaml:"kind" json:"kind" desc:"quantity: a number with its unit; text; choice: one of choices; date." enum:"quantity,text,choice,date" default:"quantity"`
	Unit    string   `yaml:"unit" json:"unit,omitempty" desc:"quantity: its unit, a UCUM code such as g, mL or g/mol; 1 for a bare number."`
	Choices []string `yaml:"choices" json:"choices,omitempty" desc:"choice: what may be chosen."`
	Limits  Limits   `yaml:"limits" json:"limits" desc:"quantity: what it has to be within."`
	Default string   `yaml:"default" json:"default,omitempty" desc:"What holds where nobody gives it. none, of a quantity: nothing does, and a limit that is its name alone is no limit then."`
}

// Balance is what a procedure asks of one of its balances.
type Balance struct {
	Readability string `yaml:"readability" json:"readability,omitempty" desc:"Its readability d at most, such as 0.1 mg."`
	Capacity    string `yaml:"capacity" json:"capacity,omitempty" desc:"Its capacity at least, such as 200 g."`
	Other       string `yaml:"other_than" json:"other_than,omitempty" desc:"The name of a balance of this procedure that it must not be."`
}

// Block is a number of steps that are done several times: those that name it, one after the other.
type Block struct {
	Name  string `yaml:"name" json:"name" desc:"Its name, which steps give as in."`
	Over  string `yaml:"over" json:"over,omitempty" desc:"items: once for each sample or container of the run, in any order, as they are identified." enum:"items"`
	Times string `yaml:"times" json:"times,omitempty" desc:"So many times: a number, or the name of a parameter."`
	// While, More and Most are the replicate rule: so many more, as long as a condition holds, up to a number.
	While string `yaml:"more_while" json:"more_while,omitempty" desc:"A condition, looked at after the last: while it holds, more are done. It counts as met where it cannot be worked out yet."`
	More  int    `yaml:"more" json:"more,omitempty" desc:"How many more each time."`
	Most  int    `yaml:"most" json:"most,omitempty" desc:"How many there may be in all, up to 500. A run whose condition still holds then goes on with what there is, and the result says so."`
}

// Step is one step.
type Step struct {
	ID   string `yaml:"step" json:"step" desc:"Its name, which formulas and decisions use: a to z, 0 to 9 and _."`
	Do   string `yaml:"do" json:"do" desc:"What it does." enum:"identify,ask,instruct,tare,empty,weigh,compute,decide,confirm,wait,environment"`
	In   string `yaml:"in" json:"in,omitempty" desc:"The block that it belongs to."`
	Say  string `yaml:"say" json:"say,omitempty" desc:"What is to be done, in a sentence. {name} stands for a value."`
	When string `yaml:"when" json:"when,omitempty" desc:"A condition: without it the step is left out."`

	What string `yaml:"what" json:"what,omitempty" desc:"identify: a sample, a container, or a reagent's lot. environment: temperature, humidity, pressure." enum:"sample,container,reagent,temperature,humidity,pressure"`

	Air bool `yaml:"air" json:"air,omitempty" desc:"environment: whether it is about the air at the balance, and not about a bath, an oven or a liquid. Then what an instrument there has sent may be taken."`

	Kind    string   `yaml:"kind" json:"kind,omitempty" desc:"ask: quantity, text, choice, date." enum:"quantity,text,choice,date"`
	Unit    string   `yaml:"unit" json:"unit,omitempty" desc:"ask, compute, weigh: the unit of its value, a UCUM code. Left out: weigh: g; compute: that of the formula."`
	Choices []string `yaml:"choices" json:"choices,omitempty" desc:"ask: what may be chosen."`

	On        string `yaml:"on" json:"on,omitempty" desc:"tare, empty, weigh: the name of the balance, where the procedure has several."`
	Less      string `yaml:"less" json:"less,omitempty" desc:"weigh: the name of the value that is taken off, to make a net mass: of an empty container, or of the weighing before (then what the balance showed). The minimum weight is judged by what is left."`
	From      string `yaml:"from" json:"from,omitempty" desc:"weigh: as less, the other way: what was taken out, the earlier weighing less this one."`
	Target    string `yaml:"target" json:"target,omitempty" desc:"weigh: the net mass that is wanted: a formula."`
	Tolerance string `yaml:"tolerance" json:"tolerance,omitempty" desc:"weigh: how far from the target it may be: a mass or per cent of the target, such as 0.5 mg or 2 %."`
	Minimum   string `yaml:"minimum" json:"minimum,omitempty" desc:"weigh: what a net mass below the balance's minimum weight is. refuse: it has to be weighed again, and where no minimum weight is known, it is as a value outside its limits; note: it is a verdict; none: it is not looked at." enum:"refuse,note,none" default:"note"`

	Formula string `yaml:"formula" json:"formula,omitempty" desc:"compute: what its value is."`
	Label   string `yaml:"label" json:"label,omitempty" desc:"What people read beside its value."`
	Round   string `yaml:"round" json:"round,omitempty" desc:"compute: to what it is rounded: a step such as 0.01 g, a number of significant digits such as 3 digits, or of decimals such as 2 decimals. Left out: it is not."`
	Rule    string `yaml:"rounding" json:"rounding,omitempty" desc:"compute: how what lies halfway is rounded." enum:"half-even,half-up,down,up" default:"half-even"`

	Limits  Limits `yaml:"limits" json:"limits" desc:"ask, weigh, compute, environment: what the value has to be within."`
	Outside string `yaml:"outside" json:"outside,omitempty" desc:"What a value outside its limits needs before the run goes on; it stays in the record with its verdict in any case. note: nothing; repeat: the step again, as often as repeats allows, and then a reviewer; reviewer: somebody with the right to, with a reason; investigation: likewise, with the reference of an investigation." enum:"note,repeat,reviewer,investigation" default:"reviewer"`
	Repeats *int   `yaml:"repeats" json:"repeats,omitempty" desc:"repeat: how often the step may be done again, with a reason, 1 to 20; then a reviewer decides." default:"1"`

	If   string `yaml:"if" json:"if,omitempty" desc:"decide: a condition."`
	Then string `yaml:"then" json:"then,omitempty" desc:"decide: the step that is next where it holds, or end. Left out: the one that follows."`
	Else string `yaml:"else" json:"else,omitempty" desc:"decide: the step that is next where it does not hold, or end. Left out: the one that follows."`
	Back int    `yaml:"at_most" json:"at_most,omitempty" desc:"decide: how often it may lead back to an earlier step, 1 to 50; then a reviewer decides whether the run goes on. What the steps found the time before stays: a formula finds it by before(name), and where there is nothing before yet, the decision leads back."`

	For strict.Duration `yaml:"for" json:"for" desc:"wait: how long at least, up to 31 days."`

	// Differs is which people may not be the second person.
	Differs string `yaml:"other_than" json:"other_than,omitempty" desc:"confirm: whom the second person must not be. performers: anybody who did a step of the run; last: whoever did the step before." enum:"performers,last" default:"performers"`
}

// Limits are what a value has to be within. Each is a formula of the value's unit, mostly a plain quantity; left out: there is none.
type Limits struct {
	AtLeast     string `yaml:"at_least" json:"at_least,omitempty" desc:"The least that passes."`
	AtMost      string `yaml:"at_most" json:"at_most,omitempty" desc:"The most that passes."`
	WarnAtLeast string `yaml:"warn_below" json:"warn_below,omitempty" desc:"Below it the value passes with a warning."`
	WarnAtMost  string `yaml:"warn_above" json:"warn_above,omitempty" desc:"Above it the value passes with a warning."`
	From        string `yaml:"from" json:"from,omitempty" desc:"Where the limits come from: a clause, a specification, the lab's own."`
	Text        string `yaml:"matches" json:"matches,omitempty" desc:"text, choice: what it has to begin with. compute, of a condition: yes or no."`
}
