package files

import (
	"strings"
	"testing"

	"weighpost/parsers/strict"
)

func TestConfigFaults(t *testing.T) {
	folder := t.TempDir()
	for text, want := range map[string]string{
		"format: json":                                            "folder: the folder is missing; allowed: an absolute path, such as /srv/weighings",
		"folder: weighings":                                       `folder: "weighings" is not absolute; the daemon does not run in this folder`,
		"folder: FOLDER\nformat: xml":                             `format: "xml"`,
		"folder: FOLDER\nspreadsheet: true":                       "spreadsheet: is only for csv",
		"folder: FOLDER\nname: \"{day}.json\"":                    "name: does not tell entries apart",
		"folder: FOLDER\nname: \"../{id}.json\"":                  `name: has the part ".."`,
		"folder: FOLDER\nname: \"/{id}.json\"":                    "name: has an empty part",
		"folder: FOLDER\nname: \"{ident}.json\"":                  `name: names the field "ident", which there is not`,
		"folder: FOLDER\nname: \"{id\"":                           `name: opens a brace before "id" and does not close it`,
		"folder: FOLDER\nname: \"a:b-{id}.json\"":                 `name: holds ':', which not every file system takes`,
		"folder: FOLDER\nname: \"_checkpoints/{id}.json\"":        "name: begins with _checkpoints",
		"folder: FOLDER\nformat: csv\nname: \"{seq}.csv\"":        "name: would make a file for each line",
		"folder: FOLDER\nformat: ndjson\nname: \"{number}.json\"": "name: would make a file for each line",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(strings.ReplaceAll(text, "FOLDER", folder)), c)
		report := doc.Report()
		c.Check(report)
		all := append(faults, report.Faults()...)
		if len(all) != 1 || !strings.Contains(all.Error(), want) {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
	good := Default()
	doc, faults := strict.Load("sink.yaml", []byte("folder: "+folder+"\nformat: csv\nspreadsheet: true\nname: \"{year}/{balance}.csv\"\n"), good)
	report := doc.Report()
	good.Check(report)
	if all := append(faults, report.Faults()...); len(all) > 0 {
		t.Error(all)
	}
}
