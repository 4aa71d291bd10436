package procedure

import (
	"cmp"
	"crypto/sha256"
	"fmt"

	"weighpost/parsers/strict"
)

// What a definition may be at most. A run of it has MaxEntries entries at most.
const (
	MaxText    = 256 << 10 // bytes of the file
	MaxSteps   = 200
	MaxBlocks  = 20
	MaxItems   = 500
	MaxPasses  = 500 // of a block
	MaxBack    = 50  // how often one decision may lead back
	MaxEntries = 20_000
	maxSay     = 1000 // characters of a text
	maxNames   = 50   // parameters, choices, results, cautions: of each
)

// Parse reads a definition, in YAML or in JSON of the same keys, and finds every mistake: the error is then a strict.Faults. The definition
// is there all the same as far as it could be read, to be shown; only one without mistakes can be opened. name is said in the faults.
func Parse(name string, src []byte) (*Definition, error) {
	d := &Definition{}
	if len(src) > MaxText {
		return d, strict.Faults{{File: name, Line: 1, Column: 1, What: fmt.Sprintf("has %d bytes", len(src)), Allowed: "at most 256 KiB"}}
	}
	doc, faults := strict.Load(name, src, d)
	d.fill()
	report := doc.Report()
	if len(d.Steps) <= 2*MaxSteps && len(d.Blocks) <= 2*MaxBlocks { // far more are a fault and not looked at one by one
		d.Check(report)
	} else {
		report.At("steps").Fault(fmt.Sprintf("are %d, in %d blocks", len(d.Steps), len(d.Blocks)), fmt.Sprintf("at most %d steps and %d blocks", MaxSteps, MaxBlocks))
	}
	faults = append(faults, report.Faults()...)
	if len(faults) > 0 {
		d.plan = nil
		faults.Sort()
		return d, faults
	}
	return d, nil
}

// Hash names a text exactly as it was written: two versions of a procedure are the same where their hashes are.
func Hash(src []byte) string { return fmt.Sprintf("sha256:%x", sha256.Sum256(src)) }

// fill writes what holds where a definition says nothing, for those keys that a run is begun by.
func (d *Definition) fill() {
	d.About, d.Most = cmp.Or(d.About, "samples"), cmp.Or(d.Most, 1)
	for i := range d.Parameters {
		p := &d.Parameters[i]
		p.Kind = cmp.Or(p.Kind, "quantity")
		if p.Kind == "quantity" {
			p.Unit = cmp.Or(p.Unit, "1")
		}
	}
	for i := range d.Blocks {
		if b := &d.Blocks[i]; b.While != "" {
			b.More = cmp.Or(b.More, 1)
		}
	}
}
