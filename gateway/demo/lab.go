package demo

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"

	"weighpost/configs"
	"weighpost/parsers/layout"
)

// models are the balances of a regional seed bank. Each prints in a way of its own.
var models = []model{
	{layout: "bench-net-grams.yaml", place: "seed store, bench 2", capacity: "220 g", d: "0.0001 g", unit: "g", decimals: 4,
		least: 20_000, most: 900_000, banner: true},
	{layout: "micro-comma-milligrams.yaml", place: "purity bench", capacity: "6 g", d: "0.01 mg", unit: "mg", decimals: 2,
		least: 5_000, most: 400_000},
	{layout: "platform-words-kilograms.yaml", place: "cleaning line", capacity: "60 kg", d: "0.001 kg", unit: "kg", decimals: 3,
		least: 900, most: 55_000},
	{layout: "print-block-sample.yaml", place: "accession room", capacity: "320 g", d: "0.0001 g", unit: "g", decimals: 4,
		least: 50_000, most: 2_000_000, labels: true},
	{layout: "stream-settling.yaml", place: "drying room", capacity: "220 g", d: "0.0001 g", unit: "g", decimals: 4,
		least: 30_000, most: 1_500_000, streams: true},
	{layout: "checked-telegram.yaml", place: "cold store", capacity: "120 g", d: "0.0001 g", unit: "g", decimals: 4,
		least: 10_000, most: 800_000, asked: true},
}

// newBalances makes n simulated balances, whose weights follow from the seed.
func newBalances(n int, seed uint64) ([]*balance, error) {
	list := make([]*balance, n)
	for i := range list {
		m := models[i%len(models)]
		src, err := fs.ReadFile(configs.Layouts, "layouts/"+m.layout)
		if err != nil {
			return nil, err
		}
		l, err := layout.Parse(m.layout, src)
		if err != nil {
			return nil, fmt.Errorf("layout %s of the demo: %w", m.layout, err)
		}
		list[i] = &balance{
			model: m, id: fmt.Sprintf("b-%02d", i+1), layout: l, dice: rand.New(rand.NewPCG(seed, uint64(i))),
		}
	}
	return list, nil
}

// places are where the far sides of the sinks are.
type places struct{ broker, folder, reports, url, answers, listen, journal string }

// writeConfiguration puts the demo's layouts and its configuration into a folder: the same files that a person would write.
func writeConfiguration(dir string, list []*balance, addresses []string, scanner string, p places) (path string, err error) {
	layouts := filepath.Join(dir, "layouts")
	if err := os.MkdirAll(layouts, 0o755); err != nil {
		return "", err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# The demo's configuration, written by weighpost demo.\nsite: seed-bank\njournal:\n  folder: %q\npage:\n  listen: %q\nbalances:\n", p.journal, p.listen)
	for i, bal := range list {
		src, err := fs.ReadFile(configs.Layouts, "layouts/"+bal.model.layout)
		if err != nil {
			return "", err
		}
		if err := os.WriteFile(filepath.Join(layouts, bal.model.layout), src, 0o644); err != nil {
			return "", err
		}
		rule := "printed"
		if bal.streams {
			rule = "settled"
		}
		fmt.Fprintf(&b, "  - id: %s\n    place: %q\n    capacity: %s\n    readability: %s\n    port:\n      address: %q\n    layout: layouts/%s\n    record: %s\n",
			bal.id, bal.place, bal.capacity, bal.d, addresses[i], bal.model.layout, rule)
		if bal.asked {
			fmt.Fprintf(&b, "    ask: {send: \"\\x%02x\", timeout: 5s}\n", question)
		}
		if i == scannerAt && scanner != "" { // with one balance there is none
			fmt.Fprintf(&b, `    scanner:
      port:
        address: %q
      rules:
        - {prefix: "P-", item: person}
        - {prefix: "LOT-", item: sample}
        - {prefix: "END", sign_out: true}
`, scanner)
		}
	}
	fmt.Fprintf(&b, `sinks:
  - id: broker
    kind: mqtt
    broker: %q
    live: true
  - id: folder
    kind: files
    folder: %q
  - id: lab-system
    kind: http
    url: %q
  - id: `+labSystemID+`
    kind: http
    entries: [request-changed]
    url: %q
  - id: reports
    kind: files
    entries: [report-issued]
    format: report
    name: "{report}.pdf"
    folder: %q
`, p.broker, p.folder, p.url, p.answers, p.reports)
	b.WriteString(cornerConfiguration)
	path = filepath.Join(dir, "weighpost.yaml")
	return path, os.WriteFile(path, []byte(b.String()), 0o644)
}
