package logged

// Spoken are texts that are chosen or put together at run time: by room and the source of the expression, every form that they have. …
// stands for what is put in. What a row says in full stands in the sources of its room; a test holds that.
var Spoken = map[string][]string{
	"cmd/weighpost n.Error()":              {"…"}, // a note about a configuration, with its place
	"gateway/console what":                 {"a request to change something was refused: it has no token, or a wrong one", "a badge that nobody has was shown to sign in"},
	"gateway/deliver otherwise":            {"that a batch is closed is not recorded yet", "an entry that was left out of a batch cannot be parked yet", "what the destination answered is not recorded yet"},
	"gateway/follow v.o.Words.useless()":   {"what was written down of … is of no use, so …"},
	"gateway/follow v.o.Words.unwritten()": {"what is known of … could not be written down: the next start reads the journal instead"},
	"gateway/follow v.o.Words.unread()":    {"… cannot be read from the journal"},
	"gateway/follow v.o.Words.unclear()":   {"an entry that tells of … cannot be read"},
	"gateway/journal what":                 {"the key of the journal, …, can be read by others (mode …): who reads it can sign as this journal. Run: chmod 600 …"},
	"gateway/port t.Code":                  {"port-missing", "port-busy", "port-refused", "port-lost"},
	"gateway said":                         {"the configuration was changed", "the configuration was read, and nothing of it has changed"},
	"gateway/watchdog p.Stuck.Sentence":    {"…"},
}
