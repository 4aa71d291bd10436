// Package laboratory writes documents of the Allotrope Simple Model (ASM) for balances: one of a weighing, and one of a run that has ended,
// with its results and signatures.
//
// What is validated in tests: the structure that all techniques share (core release REC/2025/03: the names, what is required, types of
// values), as far as these documents use it, restated by hand from the published schema (testdata/core.schema.json). The published files
// are not part of this repository: WEIGHPOST_ASM_CORE names a folder with them for TestPublishedCoreOfTheModel. The schema of the balance
// technique was not at hand: "sample weight", "gross weight" and "tare weight" are terms of the model's vocabulary, but that they stand in
// this place is not validated. "ASM conversion time" is left out: the same entries always give the same bytes.
//
// A number of JSON is written with the digits as printed, and most readers drop zeros at its end: the printed digits stand beside it as
// text. A unit that the model has no symbol for (it has kg, g, mg, μg and ng) is converted to g, exactly. What the model has no name for
// stands as custom information; what it cannot hold exactly is refused with a sentence.
package laboratory

import (
	"fmt"
	"net/url"
	"strings"

	"weighpost/parsers/strict"
)

// Config says how documents are written.
type Config struct {
	Manifest string `yaml:"manifest" desc:"The manifest that documents name: the release of the model that your readers go by." default:"http://purl.allotrope.org/manifests/balance/REC/2025/03/balance.manifest"`
	NoSample string `yaml:"no_sample" desc:"What stands as sample identifier where a weighing has no sample; the model demands one. Left out: such weighings are refused."`
}

const balanceManifest = "http://purl.allotrope.org/manifests/balance/REC/2025/03/balance.manifest"

// Default is a Config with what applies where the file says nothing.
func Default() Config { return Config{Manifest: balanceManifest} }

// Check adds every fault of the configuration to r, and fills in the manifest where none is written.
func (c *Config) Check(r *strict.Report) {
	if !r.At("manifest").Written() && c.Manifest == "" {
		c.Manifest = balanceManifest
	}
	if u, err := url.Parse(c.Manifest); err != nil || !u.IsAbs() || strings.ContainsAny(c.Manifest, " \t\r\n") {
		r.At("manifest").Fault(fmt.Sprintf("%.80q is no absolute URI", c.Manifest), balanceManifest)
	}
}

// Node is one object of a document. Names are those of the model.
type Node map[string]any

// add sets a text that is known.
func (n Node) add(name, text string) {
	if text != "" {
		n[name] = text
	}
}

// Fact is something that the model has no name for: custom information. One without a text is left out.
type Fact struct{ Label, Text string }

// custom is what the model has no name for, in its order.
func custom(facts []Fact) Node {
	all := []Node{}
	for _, f := range facts {
		if f.Text != "" {
			all = append(all, Node{"@index": len(all) + 1, "datum label": f.Label, "scalar string datum": f.Text})
		}
	}
	return Node{"custom information document": all}
}

// document is the whole of one.
func (c *Config) document(aggregate Node) Node {
	return Node{"$asm.manifest": c.Manifest, "weighing aggregate document": aggregate}
}

// dataSystem says where a document comes from: file is its own identifier, key that of what it is of.
func dataSystem(file, key, site, version string) Node {
	n := Node{"ASM file identifier": file, "data system instance identifier": site, "database primary key": key,
		"software name": "weighpost", "ASM converter name": "weighpost", "ASM converter version": "1"}
	n.add("software version", version)
	return n
}
