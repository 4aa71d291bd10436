package report

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/laboratory"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// What a report can be of.
const (
	OfRun     = "run"
	OfDay     = "day"
	OfSample  = "sample"
	OfBalance = "balance"
	OfTrail   = "trail"
	OfCheck   = "check"
)

// Kinds lists what a report can be of.
func Kinds() []string { return []string{OfRun, OfDay, OfSample, OfBalance, OfTrail, OfCheck} }

// The blocks that a report is made of.
const (
	BlockHeader       = "header"
	BlockFacts        = "facts"
	BlockWeighings    = "weighings"
	BlockCalculations = "calculations"
	BlockStatistics   = "statistics"
	BlockChart        = "chart"
	BlockSignatures   = "signatures"
	BlockExcluded     = "excluded"
	BlockTrail        = "trail"
	BlockProof        = "proof"
	BlockText         = "text"
)

// blocks says which reports have a block, in the order in which the templates that come with weighpost have them.
var blocks = []struct {
	name string
	of   []string
}{
	{BlockHeader, Kinds()},
	{BlockFacts, Kinds()},
	{BlockCalculations, []string{OfRun, OfSample, OfDay, OfCheck}},
	{BlockWeighings, []string{OfRun, OfDay, OfSample, OfBalance, OfCheck}},
	{BlockExcluded, []string{OfRun, OfDay, OfSample}},
	{BlockStatistics, []string{OfRun, OfSample}},
	{BlockChart, []string{OfRun, OfSample}},
	{BlockSignatures, []string{OfRun, OfDay, OfSample}},
	{BlockTrail, []string{OfRun, OfBalance, OfTrail}},
	{BlockProof, Kinds()},
	{BlockText, Kinds()},
}

// needed says without which blocks a report would leave out what has to be told, and why.
var needed = []struct {
	name, why string
	of        []string
}{
	{BlockHeader, "nobody could tell what the report is of", Kinds()},
	{BlockExcluded, "weighings that do not count, and what was changed, would be left out in silence", []string{OfRun, OfDay, OfSample}},
	{BlockSignatures, "a signature is shown in every form that people read (21 CFR 11.50(b))", []string{OfRun}},
	{BlockProof, "nothing would tie the report to the journal", Kinds()},
}

// Config says which templates of reports a lab has beside those that come with weighpost, and how reports for programs are written.
type Config struct {
	Templates  []Template        `yaml:"templates" desc:"The lab's own templates. The first for a kind of report is used where none is named; without one, the template built-in."`
	Laboratory laboratory.Config `yaml:"laboratory" desc:"How reports of runs are written in the form laboratory: as documents of the Allotrope Simple Model."`
}

// Template says which blocks a report has, in which order.
type Template struct {
	Name   string  `yaml:"name" json:"name" desc:"Its name: a to z, 0 to 9 and -."`
	For    string  `yaml:"for" json:"for" desc:"What it is a report of." enum:"run,day,sample,balance,trail,check" default:"run"`
	Title  string  `yaml:"title" json:"title,omitempty" desc:"What stands above the report, at most 200 characters. Left out: what it is of."`
	Blocks []Block `yaml:"blocks" json:"blocks" desc:"Its parts, in their order. The first is header."`
}

// Block is one part of a report.
type Block struct {
	Block   string `yaml:"block" json:"block" desc:"What it shows. header: the title, the site, and below it your text, such as the lab's address; facts: what is known of what the report is of; weighings: all of them, those that do not count too; calculations: results, and how they were worked out; statistics, chart: of values that were found several times; signatures; excluded: what does not count and what was changed, and why; trail: what happened, entry by entry; proof: where it stands in the journal; text: your text." enum:"header,facts,weighings,calculations,statistics,chart,signatures,excluded,trail,proof,text"`
	Heading string `yaml:"heading" json:"heading,omitempty" desc:"What stands above it, at most 200 characters. Left out: its own words."`
	Text    string `yaml:"text" json:"text,omitempty" desc:"header, text: what is written there, at most 4000 characters."`
}

// BuiltIn is the name of the templates that come with weighpost.
const BuiltIn = "built-in"

// Default is a Config with what applies where the file says nothing.
func Default() Config { return Config{Laboratory: laboratory.Default()} }

// builtIn is the template that comes with weighpost: every block that there is for a kind.
func builtIn(of string) Template {
	t := Template{Name: BuiltIn, For: of}
	for _, b := range blocks {
		if b.name != BlockText && slices.Contains(b.of, of) {
			t.Blocks = append(t.Blocks, Block{Block: b.name})
		}
	}
	return t
}

// Template gives the template of a name for a kind of report: the lab's, or with the name built-in, or where the lab has none, that of
// weighpost. Without a name it is the lab's first of that kind. The error is a sentence.
func (c *Config) Template(of, name string) (Template, error) {
	if !slices.Contains(Kinds(), of) {
		return Template{}, fmt.Errorf("there is no report of %.40q: there is one of %s", of, strings.Join(Kinds(), ", "))
	}
	for _, t := range c.Templates {
		if t.For == of && (t.Name == name || name == "") {
			return t, nil
		}
	}
	if name == "" || name == BuiltIn {
		return builtIn(of), nil
	}
	return Template{}, fmt.Errorf("there is no template %.80q for a report of a %s", name, of)
}

// Names lists the templates that there are for a kind of report, the one first that is used where none is named.
func (c *Config) Names(of string) (names []string) {
	for _, t := range c.Templates {
		if t.For == of {
			names = append(names, t.Name)
		}
	}
	return append(names, BuiltIn)
}

// Hash is the SHA-256 of the template in its JSON form, in hexadecimal after "sha256:".
func (t *Template) Hash() string {
	b, err := json.Marshal(t)
	if err != nil {
		panic(err) // texts alone: it cannot fail
	}
	sum := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(sum[:])
}

const (
	mostTemplates, mostBlocks = 100, 40
	mostTitle, mostText       = 200, 4000 // characters
)

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	at := r.At("templates")
	if len(c.Templates) > mostTemplates {
		at.Fault(fmt.Sprintf("%d templates are too many", len(c.Templates)), fmt.Sprintf("at most %d", mostTemplates))
	}
	seen := map[string]bool{}
	for i := range c.Templates {
		t, one := &c.Templates[i], at.Index(i)
		if t.For == "" {
			t.For = OfRun
		}
		if key := t.For + "/" + t.Name; seen[key] {
			one.At("name").Fault(fmt.Sprintf("there is another template %.80q for a %s", t.Name, t.For), "a name of its own")
		} else {
			seen[key] = true
		}
		t.check(one)
	}
	c.Laboratory.Check(r.At("laboratory"))
}

func (t *Template) check(r *strict.Report) {
	if err := record.CheckName(t.Name); err != nil {
		r.At("name").Fault("the name of the template "+err.Error(), "a name of a to z, 0 to 9 and -, such as our-run")
	} else if t.Name == BuiltIn {
		r.At("name").Fault("is the name of the templates that come with weighpost", "another name")
	}
	if !slices.Contains(Kinds(), t.For) {
		r.At("for").Fault(fmt.Sprintf("there is no report of %.40q", t.For), strings.Join(Kinds(), ", "))
		return
	}
	long(r.At("title"), t.Title, mostTitle)
	at := r.At("blocks")
	if len(t.Blocks) > mostBlocks {
		at.Fault(fmt.Sprintf("%d blocks are too many", len(t.Blocks)), fmt.Sprintf("at most %d", mostBlocks))
	}
	there := map[string]bool{}
	for i := range t.Blocks {
		b := &t.Blocks[i]
		b.check(at.Index(i), t.For, there[b.Block])
		there[b.Block] = true
	}
	for _, n := range needed {
		if slices.Contains(n.of, t.For) && !there[n.name] {
			at.Fault(fmt.Sprintf("the block %s is missing: without it %s", n.name, n.why), "- block: "+n.name)
		}
	}
	if there[BlockHeader] && t.Blocks[0].Block != BlockHeader {
		at.Index(0).At("block").Fault("the first block is not the header", "header first")
	}
}

func (b *Block) check(r *strict.Report, of string, again bool) {
	i := slices.IndexFunc(blocks, func(known struct {
		name string
		of   []string
	}) bool {
		return known.name == b.Block
	})
	switch {
	case i < 0:
		r.At("block").Fault(fmt.Sprintf("%.40q is no block", b.Block), blocksFor(of))
	case !slices.Contains(blocks[i].of, of):
		r.At("block").Fault(fmt.Sprintf("a report of a %s has no block %s", of, b.Block), blocksFor(of))
	case again && b.Block != BlockText:
		r.At("block").Fault("the block "+b.Block+" stands here twice", "each block once; text as often as you like")
	case b.Block == BlockText && b.Text == "":
		r.At("text").Fault("is missing: the block would be empty", "what is to be written there")
	case b.Text != "" && b.Block != BlockText && b.Block != BlockHeader:
		r.At("text").Fault("is for the blocks header and text", "a block text before or after this one")
	}
	long(r.At("heading"), b.Heading, mostTitle)
	long(r.At("text"), b.Text, mostText)
}

func blocksFor(of string) string {
	var names []string
	for _, b := range blocks {
		if slices.Contains(b.of, of) {
			names = append(names, b.name)
		}
	}
	return strings.Join(names, ", ")
}

func long(r *strict.Report, text string, most int) {
	if n := len([]rune(text)); n > most {
		r.Fault(fmt.Sprintf("has %d characters", n), fmt.Sprintf("at most %d", most))
	}
}
