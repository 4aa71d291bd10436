package gateway_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// arrow says which of our own packages a room may import, and why no more. A name that ends in /... stands for all below it.
type arrow struct {
	room string
	may  []string
	why  string
}

// arrows is the plan of the house: imports run downwards only. The first row that fits a package counts.
var arrows = []arrow{
	{"parsers/decimal", nil, "exact numbers stand on nothing of ours"},
	{"parsers/sum", nil, "check characters are arithmetic"},
	{"parsers/strict", nil, "reading what people write knows none of the things that they write about"},
	{"parsers/frame", nil, "splitting bytes knows nothing of what they mean"},
	{"parsers/unit", []string{"parsers/decimal"}, "units convert exact numbers"},
	{"parsers/...", []string{"parsers/..."}, "parsers turn bytes into readings: no I/O, no clock, nothing else of ours"},

	{"gateway/record", []string{"parsers/..."}, "everybody imports the vocabulary, so it may import nobody"},
	{"gateway/rights", []string{"gateway/record"}, "words for who may do what: whoever holds accounts is above"},
	{"gateway/access/...", []string{"gateway/access", "gateway/access/...", "gateway/rights", "gateway/record", "gateway/health", "gateway/needs", "parsers/strict"},
		"a way to show who one is: it knows no page and nothing that records"},
	{"gateway/access", []string{"gateway/access/...", "gateway/rights", "gateway/record", "gateway/health", "parsers/strict"},
		"accounts and sessions: it takes the journal as a small interface, and knows no page"},
	{"gateway/settings", []string{"parsers/strict"}, "the rules of changing settings are pure: what a section means is known to the room that declares it"},
	{"gateway/central", []string{"parsers/strict"}, "the form of signed settings, and how they are fetched: what they set is known to whoever takes them"},
	{"gateway/segment", []string{"gateway/record"}, "a form of file, as the vocabulary has one of entries: no disk, no clock, no journal"},
	{"gateway/newfile", nil, "files that are there whole or not at all: nothing of what is in them"},
	{"gateway/needs", nil, "what tests say of the machine"},
	{"gateway/needs/chromium", []string{"gateway/needs"}, "test support: a real browser, and somebody before it"},
	{"gateway/conform", nil, "what tests hold answers of the API against: its own description, and nothing of ours"},
	{"gateway/shown", nil, "what tests say of tables that name tests"},
	{"gateway/endure", nil, "faults in every act over one journal: tests, and nothing else"},
	{"gateway/fleet", nil, "many gateways that deliver to one stream: tests, and nothing else"},
	{"gateway/leaks", nil, "secrets used in every way, and then looked for: tests, and nothing else"},
	{"gateway/walked", nil, "what a person does in a browser: tests, and nothing else"},
	{"gateway/guided", nil, "checks of balances in a browser before a whole daemon: tests, and nothing else"},
	{"gateway/guidedruns", nil, "procedures in a browser before a whole daemon, from the request of a lab system to its results: tests, and nothing else"},
	{"gateway/atbench", nil, "a bench screen in a browser before a whole daemon: tests, and nothing else"},
	{"gateway/asked", nil, "a lab system that asks a whole daemon for runs: tests, and nothing else"},
	{"gateway/seen", nil, "every page in a browser before a whole daemon: tests, and nothing else"},
	{"gateway/injected", nil, "ids that mean something to others, and where they arrive: tests, and nothing else"},
	{"gateway/help", nil, "the manual is words"},
	{"sinks/mqtt/mosquitto", []string{"gateway/needs"}, "test support: a real broker"},
	{"sinks/smb/samba", []string{"gateway/needs", "sinks/folder/foldertest"}, "test support: a real server of shares"},
	{"sinks/sftp/sshd", []string{"gateway/needs", "sinks/folder/foldertest"}, "test support: a real server of SFTP"},
	{"sinks/folder/foldertest", []string{"gateway/needs", "gateway/record", "sinks", "sinks/folder", "sinks/sinktest", "sinks/sinktest/toxic"}, "test support: what every sink that keeps files has to show"},
	{"sinks/nats/natstest", []string{"gateway/needs"}, "test support: real NATS servers"},
	{"sinks/postgres/pgtest", []string{"gateway/needs"}, "test support: a real PostgreSQL"},
	{"gateway/journal/disktest", []string{"gateway/needs"}, "test support: a disk that loses power"},
	{"gateway/health", nil, "conditions are words; the rooms that raise them are above"},
	{"gateway/watchdog", []string{"gateway/health"}, "it looks at whether parts turn, and may need none of them to turn itself"},
	{"gateway/logging", nil, "a log is lines: it knows nobody who writes them"},
	{"gateway/live", []string{"gateway/record"}, "the lossy stream carries records' words and nothing else"},
	{"gateway/timestamp", nil, "the bytes of a protocol: no network, no disk, no clock"},
	{"gateway/timestamp/authority", []string{"gateway/timestamp", "gateway/record", "gateway/health", "parsers/strict"},
		"it asks a time-stamping authority, and takes the journal as a small interface"},
	{"gateway/timestamp/tsatest", []string{"gateway/needs"}, "test support: an authority of OpenSSL"},
	{"gateway/refusals", []string{"gateway/record"}, "it counts what was not allowed, and takes the journal as a small interface"},
	{"gateway/network", []string{"gateway/health"}, "it looks at the computer and tells the board"},
	{"gateway/clock", []string{"gateway/record", "gateway/health", "parsers/strict"}, "a clock stamps; it neither reads nor writes"},
	{"gateway/proof", []string{"gateway/record", "parsers/decimal", "parsers/unit"},
		"who verifies a proof has no journal at hand: it computes, and touches no disk and no clock"},
	{"gateway/signature", []string{"gateway/record"}, "what a signature covers is made of entries alone: whoever verifies one has no journal at hand"},
	{"gateway/journal", []string{"gateway/record", "gateway/proof", "gateway/segment", "gateway/timestamp", "gateway/journal", "gateway/journal/...", "parsers/strict"},
		"parse, stamp and journal are the protected part: no page, sink or procedure may reach in"},
	{"gateway/journal/...", []string{"gateway/record", "gateway/journal", "gateway/journal/..."}, "test support of the journal"},
	{"gateway/backup", []string{"gateway/record", "gateway/segment", "gateway/proof", "gateway/journal", "gateway/journal/...", "parsers/strict", "sinks"},
		"it reads a journal and writes files: it neither records nor knows what an entry means"},
	{"gateway/tell", []string{"gateway/record"}, "words for people: it reads one entry, and knows nobody who shows it"},
	{"gateway/paper", nil, "it puts text on pages, and knows nothing of what the text says"},
	{"gateway/laboratory", []string{"gateway/record", "parsers/..."}, "a document of the laboratory model is pure: what is known goes in, names of the model come out"},
	{"gateway/report", []string{"gateway/record", "gateway/laboratory", "gateway/paper", "gateway/tell", "gateway/signature", "gateway/metrology", "parsers/decimal", "parsers/strict"},
		"what runs, days, samples, balances, checks and the trail say to whoever reads them: it writes what it is given, and asks nobody"},
	{"gateway/export", []string{"gateway/record", "gateway/newfile", "gateway/paper", "gateway/tell", "gateway/index", "gateway/journal", "gateway/proof", "sinks/format", "parsers/decimal"},
		"it writes what the journal says in other forms, and keeps nothing"},
	{"gateway/statistics", []string{"gateway/record", "gateway/metrology", "sinks/format"}, "statistics are pure: entries of runs go in, numbers come out"},
	{"gateway/bundle", []string{"configs", "gateway/record", "gateway/newfile", "gateway/tell", "gateway/index", "gateway/journal", "gateway/proof", "gateway/signature", "sinks/format"},
		"it packs what the journal says with all that shows it, and keeps nothing"},
	{"gateway/index", []string{"gateway/record", "gateway/journal", "gateway/proof"}, "it finds what the journal keeps, and changes nothing there"},
	{"gateway/roster", []string{"gateway/record"}, "it reads what the journal says of balances, and knows no balance that runs"},
	{"gateway/port/pty", nil, "a pair of file descriptors"},
	{"gateway/port/comtest", []string{"gateway/needs", "gateway/port/pty"}, "test support: a real device server"},
	{"gateway/port/uart", nil, "a model of levels on a wire"},
	{"gateway/port/tap", []string{"gateway/port", "gateway/port/pty", "gateway/health", "parsers/strict"},
		"it stands beside a port and passes bytes: it knows no layout and nothing that records"},
	{"gateway/lending", []string{"gateway/port", "parsers/strict", "sinks"},
		"it lends a serial port to a sink, so that a sink itself sees no room that records"},
	{"gateway/port", []string{"gateway/port/...", "gateway/health", "parsers/strict"}, "bytes in, bytes out: a port knows no balance"},
	{"gateway/intake", []string{"gateway/record", "gateway/port", "gateway/port/tap", "gateway/health", "parsers/..."},
		"the protected part again: what records takes the journal, the clock and the screen as small interfaces"},
	{"gateway/follow", []string{"gateway/record"}, "it hands entries on in their order, and knows neither what they mean nor who keeps what of them"},
	{"gateway/air", []string{"gateway/record"}, "it keeps what instruments show in memory, and knows no balance, no run and no journal"},
	{"gateway/samples", []string{"gateway/follow", "gateway/record"}, "it knows samples from the journal, which it takes as a small interface, and no balance"},
	{"gateway/issued", []string{"gateway/follow", "gateway/record"}, "it numbers reports from the journal, which it takes as a small interface, and makes none"},
	{"gateway/archive", []string{"gateway/record", "gateway/proof", "gateway/index", "gateway/logging", "gateway/needs", "gateway/journal", "gateway/journal/journaltest", "parsers/strict",
		"sinks", "sinks/format", "sinks/nats", "sinks/nats/natstest", "sinks/postgres", "sinks/postgres/pgtest"},
		"the other end of many gateways: it knows what they publish, and reaches no journal (journal: of its tests), balance or page"},
	{"gateway/metrology", []string{"parsers/decimal", "parsers/unit", "gateway/needs"}, "arithmetic: no disk, no clock, nothing that knows a lab (needs: of its tests)"},
	{"gateway/formula", []string{"gateway/metrology", "parsers/decimal", "parsers/unit", "gateway/needs"},
		"a formula is pure: text and values in, a value or a sentence out (needs: of its tests)"},
	{"gateway/procedure", []string{"gateway/record", "gateway/formula", "gateway/metrology", "parsers/...", "configs", "gateway/help"},
		"a run is pure: what happened goes in, entries to be recorded and instructions come out (configs and help: the ready ones and the page on them, of its tests)"},
	{"gateway/checks", []string{"gateway/record", "gateway/metrology", "parsers/decimal", "parsers/strict"},
		"a check is pure: events in, instructions and attempts out"},
	{"gateway/charts", []string{"gateway/record", "gateway/metrology"},
		"a chart is pure: what checks found goes in, numbers and words come out"},
	{"gateway/fitness", []string{"gateway/follow", "gateway/record", "gateway/metrology", "parsers/decimal", "parsers/layout", "parsers/strict"},
		"it knows balances from the journal, which it takes as a small interface, and none that runs"},
	{"gateway/ceremony", []string{"gateway/record", "gateway/review", "gateway/rights", "gateway/signature"},
		"it joins what is shown, who signs and what is recorded, and takes each as a small interface"},
	{"gateway/review", []string{"gateway/follow", "gateway/procedure", "gateway/record", "gateway/rights", "gateway/signature", "parsers/strict"},
		"what becomes of a run is decided from entries: accounts, balances and the journal are small interfaces to it"},
	{"gateway/runs", []string{"gateway/record", "gateway/procedure", "gateway/follow", "parsers/..."},
		"it knows runs from the journal, which it takes as a small interface; what a balance is and shows it is told"},
	{"gateway/dropped", []string{"gateway/record", "gateway/health", "parsers/strict"},
		"it reads files of others and hands on what they ask for: who carries it out, and the journal, are small interfaces"},
	{"gateway/deliver", []string{"gateway/record", "gateway/health", "sinks", "parsers/strict"},
		"retry and parking know sinks by their interface only"},
	{"gateway/watch", []string{"gateway/record", "gateway/health", "gateway/port", "parsers/..."},
		"it looks on, from a page or straight at a port; it reaches nothing that records"},
	{"gateway/setup/...", []string{"gateway/port", "gateway/port/..."}, "a balance on a bench, for tests"},
	{"gateway/setup", []string{"gateway/port", "gateway/port/...", "gateway/health", "gateway/config", "gateway/intake", "gateway/record",
		"parsers/..."}, "it prepares a balance for a person, on the command line or a page; it reaches nothing that records"},
	{"gateway/visit", []string{"gateway/console", "gateway/port", "gateway/record", "gateway/rights", "gateway/setup", "parsers/..."},
		"it has a person at a page go the way of setup; what that ends with is for the wiring to put into the configuration"},
	{"gateway/certificate", []string{"gateway/health", "parsers/strict"}, "it looks after two files, and knows no page"},
	{"gateway/once", nil, "it remembers answers, and knows nothing of what they say"},
	{"gateway/console", []string{"gateway/record", "gateway/report", "gateway/rights", "gateway/settings", "gateway/certificate", "gateway/health", "gateway/live", "gateway/once", "parsers/strict"},
		"pages show; they reach nothing that records"},
	{"gateway/screens", []string{"gateway/archive", "gateway/console", "gateway/report", "gateway/charts", "gateway/record", "gateway/tell", "gateway/rights", "gateway/settings", "gateway/health", "gateway/live", "gateway/help", "gateway/needs", "gateway/needs/chromium", "parsers/..."},
		"pages for people show what the console has, and change nothing by themselves"},

	{"sinks/format", []string{"sinks", "sinks/sinktest", "gateway/record", "gateway/laboratory", "gateway/tell", "gateway/needs", "parsers/..."},
		"a form of an entry is pure; where a table has a column of words for people, they are those of everywhere"},
	{"sinks/mail/eximtest", []string{"gateway/needs"}, "test support: a real mail server"},
	{"sinks/mail", []string{"sinks", "gateway/record", "gateway/tell", "parsers/..."}, "it writes to people, in the words for people"},
	{"sinks/...", []string{"sinks", "sinks/...", "gateway/record", "parsers/..."},
		"a sink delivers entries: it sees no journal, no balance and no other room"},
	{"sinks", []string{"gateway/record", "parsers/..."}, "the contract stands on the vocabulary"},

	{"gateway/config", []string{"gateway/...", "sinks", "sinks/...", "parsers/..."}, "it composes what each room declares"},
	{"gateway/qualification", []string{"gateway/record", "gateway/report", "gateway/proof"},
		"the report of a qualification is a form: who tries the installation out is above"},
	{"gateway/qualify", []string{"gateway", "gateway/...", "sinks", "sinks/all", "parsers/..."}, "it tries out the whole installation, on top of everything"},
	{"gateway/support", []string{"gateway/config", "gateway/health", "gateway/journal", "gateway/port", "gateway/record"},
		"a bundle for whoever helps reads what is there, and knows what may not be in it"},
	{"gateway/demo", []string{"configs", "gateway", "gateway/...", "sinks/...", "parsers/..."}, "a lab to play with, on top of everything"},
	{"gateway", []string{"configs", "gateway/...", "sinks", "sinks/...", "parsers/..."}, "wiring"},
	{"cmd/weighpost/shells", nil, "a script for a shell is made of the tree of commands alone"},
	{"cmd/weighpost/manpage", nil, "a page for man is made of the tree of commands alone"},
	{"cmd/...", []string{"cmd/weighpost/...", "configs", "gateway", "gateway/...", "sinks/...", "parsers/...", "systemd"}, "commands parse, call and print"},
}

// never holds what a wide row above would let through.
var never = []struct{ from, to, why string }{
	{"gateway", "gateway/demo", "only a command starts the demo"},
	{"gateway/config", "gateway/demo", "only a command starts the demo"},
	{"gateway/config", "gateway", "the wiring takes the configuration, not the other way"},
}

func covers(pattern, pkg string) bool {
	if below, ok := strings.CutSuffix(pattern, "/..."); ok {
		return strings.HasPrefix(pkg, below+"/")
	}
	return pattern == pkg
}

// TestArrows reads the sources itself: a test that asked the go command would be cached and miss a new import.
func TestArrows(t *testing.T) {
	root := os.DirFS("..")
	seen := 0
	for _, top := range []string{"cmd", "gateway", "parsers", "sinks"} {
		err := fs.WalkDir(root, top, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			seen++
			checkImports(t, name)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if seen == 0 {
		t.Fatal("no sources found: the test looked in the wrong place")
	}
}

func checkImports(t *testing.T, name string) {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), filepath.Join("..", name), nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	from := path.Dir(name)
	for _, spec := range file.Imports {
		full, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		if to, ours := strings.CutPrefix(full, "weighpost/"); ours {
			if why := forbidden(from, to); why != "" {
				t.Errorf("%s imports %s: %s", name, to, why)
			}
		}
	}
}

// forbidden says why from may not import to, or "".
func forbidden(from, to string) string {
	for _, n := range never {
		if n.from == from && n.to == to {
			return n.why
		}
	}
	i := slices.IndexFunc(arrows, func(a arrow) bool { return covers(a.room, from) })
	if i < 0 {
		return "this room is not in the plan: add a row to arrows, with the reason"
	}
	if slices.ContainsFunc(arrows[i].may, func(p string) bool { return covers(p, to) }) {
		return ""
	}
	return arrows[i].why
}

// TestArrowsCanFail holds the plan itself: imports that must never pass.
func TestArrowsCanFail(t *testing.T) {
	for _, bad := range [][2]string{
		{"parsers/layout", "gateway/record"}, {"gateway/journal", "gateway/console"}, {"gateway/intake", "gateway/journal"},
		{"sinks/mqtt", "gateway/deliver"}, {"gateway", "gateway/demo"}, {"gateway/record", "gateway/health"}, {"elsewhere", "gateway"},
	} {
		if forbidden(bad[0], bad[1]) == "" {
			t.Errorf("%s may import %s", bad[0], bad[1])
		}
	}
	if why := forbidden("gateway/intake", "gateway/record"); why != "" {
		t.Errorf("intake may not import record: %s", why)
	}
}
