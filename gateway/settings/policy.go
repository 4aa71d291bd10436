// Package settings holds the rules for changing what weighpost is set to: the policy that says how many people a change
// takes, and how a change that a program sends is put onto what there is (RFC 7396). It is pure: no disk, no clock, no
// journal. What a section means is the business of the room that declares it.
package settings

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// How many people a change of a section under policy takes.
const (
	AdoptNone = "none" // the file on the host holds as it is edited
	AdoptOne  = "one"  // somebody entitled changes it, or adopts what was edited on the host
	AdoptTwo  = "two"  // somebody entitled adopts what somebody else has proposed
)

// Section is the part of the configuration that holds the policy itself.
const Section = "settings"

// Config is the policy.
type Config struct {
	Adopt string   `yaml:"adopt" desc:"How many people a change takes: none (the file holds as it is edited), one (an entitled person changes it, or adopts what was edited in the file), two (an entitled person adopts what another has proposed)." enum:"none,one,two" default:"none"`
	Over  []string `yaml:"over" desc:"Which parts of the configuration that is about, by their names at the top of this file: [balances, sinks, people]. Layouts belong to balances. Left out: all of them."`
}

// InForce says whether there is a policy at all.
func (c Config) InForce() bool { return c.Adopt == AdoptOne || c.Adopt == AdoptTwo }

// Covers says whether a part of the configuration changes by adoption only. The policy covers itself: it could be loosened
// otherwise by whoever writes the file.
func (c Config) Covers(section string) bool {
	if !c.InForce() {
		return false
	}
	return section == Section || len(c.Over) == 0 || slices.Contains(c.Over, section)
}

// Check adds every fault that it sees to r. sections are the names that there are.
func (c *Config) Check(r *strict.Report, sections []string) {
	if !slices.Contains([]string{"", AdoptNone, AdoptOne, AdoptTwo}, c.Adopt) {
		r.At("adopt").Fault(fmt.Sprintf("%.40q is no such number of people", c.Adopt), "none, one, two")
	}
	over := r.At("over")
	for i, name := range c.Over {
		switch {
		case !slices.Contains(sections, name):
			over.Index(i).Fault(fmt.Sprintf("%.40q is no part of the configuration that could wait for a person", name), strings.Join(sections, ", "))
		case slices.Index(c.Over, name) < i:
			over.Index(i).Fault(fmt.Sprintf("%q is there twice", name), "each part once")
		}
	}
	if len(c.Over) > 0 && !c.InForce() {
		r.Note("over names parts of the configuration, and adopt is none: their edits hold as today")
	}
}
