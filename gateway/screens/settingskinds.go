package screens

import "slices"

// sinkGroup is some kinds of destination that are alike for whoever chooses one.
type sinkGroup struct {
	Title string
	Kinds []string
}

// sinkGroups are the kinds in the order in which somebody looks for one. A kind that is in none comes last.
var sinkGroups = []sinkGroup{
	{"Files", []string{"files", "smb", "sftp"}},
	{"Lab systems and programs", []string{"http", "tcp-out", "serial-out", "keystrokes"}},
	{"Brokers, streams and databases", []string{"mqtt", "nats", "postgres", "sparkplug"}},
	{"Paper and mail", []string{"print", "mail"}},
}

// kindAbout says what a kind of destination is for.
var kindAbout = map[string]string{
	"files": "Files in a folder of this computer, or one that is mounted there: one for each entry, or for each hour, day or number of entries.",
	"smb":   "Files on a Windows share, which need not be mounted here.", "sftp": "Files on a server that is reached over SSH.",
	"http":    "Requests to an address of a lab system or a service.",
	"tcp-out": "Lines over the network, for programs that expect a balance there.", "serial-out": "Lines at a serial port, for programs that expect a balance there.",
	"mqtt": "Messages for everything that listens at a broker.", "nats": "A stream that keeps what it has got, also from many sites.",
	"postgres": "Rows in a table, for whoever asks by SQL.", "sparkplug": "A live feed for automation, beside a delivery of record and never instead of one.",
	"keystrokes": "For programs that take nothing but typing; this computer plays a keyboard to them.",
	"print":      "A label or a slip for each weighing.", "mail": "A mail when something is wrong.",
}

// grouped puts the kinds that there are into their groups.
func grouped(kinds []string) (groups []sinkGroup) {
	var placed []string
	for _, g := range sinkGroups {
		there := slices.DeleteFunc(slices.Clone(g.Kinds), func(k string) bool { return !slices.Contains(kinds, k) })
		if len(there) > 0 {
			groups, placed = append(groups, sinkGroup{g.Title, there}), append(placed, there...)
		}
	}
	if rest := slices.DeleteFunc(slices.Clone(kinds), func(k string) bool { return slices.Contains(placed, k) }); len(rest) > 0 {
		groups = append(groups, sinkGroup{"Others", rest})
	}
	return groups
}

// takesBatches are the kinds of which a destination can take closed batches.
var takesBatches = []string{"files", "smb", "sftp"}

// rareOf are keys that are seldom needed in a kind of destination, beside those that are so everywhere.
func rareOf(kind string) []string {
	if slices.Contains(takesBatches, kind) {
		return nil
	}
	return []string{"closed"}
}

// pickWords say what a word of a choice means, where it does not say so itself: by the key, whatever it is in.
var pickWords = map[string]map[string]string{
	"verdicts": {"any": "any, whatever rules said of them", "passed": "passed: judged by a rule, and failed by none", "not-failed": "not failed by any rule", "failed": "failed by a rule"},
	"hold":     {"released": "until somebody releases them"},
	"measures": {"accuracy": "accuracy: the error at each load", "sensitivity": "sensitivity: the error between zero and one load near capacity", "repeatability": "repeatability: the scatter of one load weighed again and again",
		"eccentricity": "eccentricity: one load at several places of the pan", "linearity": "linearity: errors over the range"},
	"verified": {"initial": "initial: as on the day of verification", "in-service": "in service: twice that"},
	"unfit":    {"mark": "recorded, marked, and delivered", "hold": "recorded, marked, and held back until somebody releases it", "refuse": "held back likewise, and refused at the bench"},
	"overdue":  {"warn": "used all the same, and marked so", "out-of-service": "the balance is out of service until a check has passed", "refuse": "refused: no check begins with it"},
	"coarse":   {"warn": "used all the same, and marked so", "refuse": "refused: no check begins with it"},
	"unmarked": {"not-judged": "nobody knows, and it is not judged", "net": "net: the lab tares, and it is judged"},
	"format": {"json": "JSON, as it is in the journal", "ndjson": "the same, one line for each entry", "csv": "CSV: a row for each weighing", "line": "lines as a balance prints them",
		"cloudevents": "CloudEvents", "template": "a text of your own", "laboratory": "documents of the laboratory model", "parquet": "Parquet: closed batches for data tools", "report": "the files of reports that were issued"},
}

// pickLabel says what a choice means.
func pickLabel(key, word string) string {
	if said := pickWords[key][word]; said != "" {
		return said
	}
	return word
}
