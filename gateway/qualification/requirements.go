package qualification

import "strings"

// Clause is a clause of a text, as the manual's page "clauses" has it in a row of its own.
type Clause struct {
	Text   string `json:"text"`   // a heading of that page
	Clause string `json:"clause"` // what its row begins with
	Memory bool   `json:"from_memory,omitempty"`
}

// Words names the clause, and says where it was written down from memory.
func (c Clause) Words() string {
	w := c.Text + ", " + c.Clause
	if c.Memory {
		w += " (from memory)"
	}
	return w
}

const (
	part11  = "21 CFR Part 11"
	annex11 = "EU GMP Annex 11"
	picS    = "PIC/S PI 041"
	fda     = "FDA, Data Integrity and Compliance With Drug CGMP, Questions and Answers (2018)"
	who     = "WHO TRS 1033, annex 4"
	iso     = "ISO/IEC 17025"
	formats = "Published formats"
)

var (
	validation   = []Clause{{part11, "11.10(a)", false}, {annex11, "4", true}, {iso, "7.11.2", true}}
	copies       = []Clause{{part11, "11.10(c)", false}, {annex11, "7.2", false}, {who, "11.19", false}}
	protection   = []Clause{{part11, "11.10(d)", false}, {annex11, "12.1", false}, {iso, "7.11.3 a, b", true}}
	authority    = []Clause{{part11, "11.10(d)", false}, {part11, "11.10(g)", false}, {annex11, "12.1", false}}
	durable      = []Clause{{part11, "11.10(c)", false}, {annex11, "7.1", false}, {fda, "question 12", false}}
	times        = []Clause{{part11, "11.10(e)", false}, {picS, "9.8", false}, {formats, "RFC 3339", false}}
	transfer     = []Clause{{annex11, "4.8", false}, {annex11, "5", false}, {iso, "7.11.6", true}}
	devices      = []Clause{{part11, "11.10(h)", false}, {annex11, "5", false}, {annex11, "4.8", false}}
	altered      = []Clause{{part11, "11.10(a)", false}, {annex11, "7.1", false}, {formats, "RFC 6962 section 2.1", false}}
	change       = []Clause{{annex11, "10", false}, {part11, "11.10(k)(2)", false}, {iso, "7.11.2", true}}
	continuity   = []Clause{{annex11, "16", false}, {iso, "7.11.3 c, d", true}}
	availability = []Clause{{part11, "11.10(c)", false}, {annex11, "7.1", false}}
)

// requirement is what a test is for.
type requirement struct {
	id       string // one that ends in a point stands for all that begin with it: one for each port, server, destination
	sentence string
	clauses  []Clause
}

var requirements = []requirement{
	{"installation.program", "The program that runs is the one that was meant to be installed, and can be named by version, commit and SHA-256.", validation},
	{"installation.configuration", "The configuration is valid, and the daemon runs by the one in the file.", change},
	{"installation.service", "weighpost is started by the system after each boot, and runs.", continuity},
	{"installation.rights", "Secrets, keys and tokens can be read by weighpost's own user alone.", protection},
	{"installation.space", "The disk of the journal has more space free than the configuration asks for.", availability},
	{"installation.sync", "The file system of the journal takes a written block down to the disk when it is told to, and is one that outlives the computer's power.", durable},
	{"installation.names", "Serial ports are named by what stays the same when adapters come and go, so that no balance is taken for another.", devices},
	{"ports.", "What a balance sends at the configured speed and framing arrives unchanged.", devices},
	{"clock.server.", "Each configured time server answers, and agrees with the others.", times},
	{"clock.stamp", "The time on a record is checked, and its error bound is no more than the configured ceiling.", times},
	{"sinks.", "What is recorded arrives at the destination, as itself.", transfer},
	{"roles.routes", "Each role may do what its rights say, and nothing else.", authority},
	{"roles.strangers", "Whoever has not shown who they are changes nothing.", protection},
	{"backup.restore", "A backup of the journal can be restored, and holds every entry and every checkpoint as the journal has them.", copies},
	{"backup.altered", "A backup that is not as it was written is found out.", copies},
	{"journal.verify", "The journal is as it was written.", altered},
	{"journal.edited", "A journal that somebody edited is found out.", altered},
	{"journal.shortened", "A journal that lost its newest entries is refused.", altered},
	{"kill.acknowledged", "What was acknowledged is still there after the program was killed in the middle of writing.", durable},
	{"kill.power", "What was acknowledged is still there after a power cut.", durable},
}

// Requirement gives what a test is for, by its id; false: there is no such test.
func Requirement(id string) (sentence string, clauses []Clause, known bool) {
	for _, r := range requirements {
		if many := strings.HasSuffix(r.id, "."); r.id == id && !many || many && strings.HasPrefix(id, r.id) && len(id) > len(r.id) {
			return r.sentence, r.clauses, true
		}
	}
	return "", nil, false
}

// Groups are the first words of ids, in the order in which tests are done.
func Groups() []string {
	return []string{"installation", "clock", "ports", "journal", "backup", "sinks", "roles", "kill"}
}
