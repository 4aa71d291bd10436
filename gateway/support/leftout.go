package support

import (
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/health"
)

// leftOut stands for what was taken out.
const leftOut = "(left out)"

var address = regexp.MustCompile(`[\p{L}\p{N}._%+-]+@[\p{L}\p{N}-]+(\.[\p{L}\p{N}-]+)+`)

// withoutAddresses takes addresses of mail out of a text.
func withoutAddresses(text string) string { return address.ReplaceAllString(text, "(address)") }

// silent are the codes of conditions whose sentences may name people or samples, or quote what a balance printed.
var silent = map[string]bool{
	health.UnreadFrames: true, health.WrongSettings: true, health.NULFlood: true, health.NoFrameEnd: true, health.LateDamage: true, health.NoAnswer: true,
	health.WrongBalance: true, health.IdentityUnconfirmed: true, health.ContextRefused: true, health.PersonDiffers: true, health.SampleDiffers: true,
	health.OutOfService: true, health.FailureUnjudged: true, health.SinkParked: true, health.SinkPaused: true, health.RequestsFolder: true,
	health.SettingsPending: true, health.AccountLocked: true, health.SignatureRefused: true, health.RightsJoined: true, health.RoleUnknown: true,
	health.NoAdministrator: true, health.SecretsMissing: true, health.AccountReviewOverdue: true,
}

// aboutPerson says whether the subject of a code is a person.
func aboutPerson(code string) bool { return health.About(code) == "person" }

// withoutPeople takes the subjects that are people out of a condition, and what it says where that may name more.
func withoutPeople(c health.Condition) health.Condition {
	if aboutPerson(c.Code) {
		c.Subject = leftOut
	}
	if silent[c.Code] {
		c.Sentence, c.Remedy = leftOut, leftOut
	}
	all := c.Consequences
	c.Consequences = nil
	for _, one := range all {
		c.Consequences = append(c.Consequences, withoutPeople(one))
	}
	if c.Cause != nil && aboutPerson(c.Cause.Code) {
		cause := *c.Cause
		cause.Subject = leftOut
		c.Cause = &cause
	}
	return c
}

var measuredCondition = regexp.MustCompile(`^(weighpost_condition\{code="([^"]*)".*subject=")[^"]*("\} .*)$`)

// measured takes the subjects that are people out of a line of the metrics.
func measured(line string) string {
	m := measuredCondition.FindStringSubmatch(line)
	if m == nil || !aboutPerson(m[2]) {
		return line
	}
	return m[1] + leftOut + m[3]
}

// kept are the attributes of a line of the log that stay. What is not among them is taken out: people (person, by, confirmed_by), names
// of files that others chose, and whatever comes new.
var kept = map[string]bool{
	"time": true, "level": true, "msg": true, "repeats": true, "balance": true, "sink": true, "port": true, "code": true, "subject": true, "server": true, "dir": true,
	"acts": true, "age": true, "at": true, "batch": true, "because": true, "before": true, "broker": true, "bytes": true, "cause": true, "clock": true,
	"consumer": true, "journal": true, "serial": true, "contradictions": true, "done": true, "entries": true, "entry": true, "err": true, "error": true, "fault": true, "file": true, "first": true, "for": true,
	"from": true, "granted": true, "hash": true, "id": true, "in": true, "kept": true, "key": true, "keys": true, "last": true, "lines": true, "most": true, "names": true,
	"next": true, "next try in": true, "next_try_in": true, "no_entries": true, "now": true, "of": true, "page": true, "panic": true, "program": true, "refused": true, "release": true,
	"run": true, "seq": true, "sha256": true, "stack": true, "stands still for": true, "stream": true, "tap": true, "to": true, "topic": true, "topics": true, "until": true,
	"way": true, "what": true, "where": true, "why": true, "work": true, "changes": true,
}

// personal are the lines of the log whose texts may quote what was scanned, asked for or typed: of them the message stays, with the
// balance or the destination.
var personal = map[string]bool{
	"what was scanned for a run was not taken": true, "somebody tried to sign and did not show who they are": true,
	"somebody is signed in at a balance that does not take them": true, "a sign-in at the provider came to nothing": true,
	"a sign-in at the OpenID provider came to nothing": true, "nothing was signed by way of the provider": true,
	"what a balance weighs next cannot carry what the run there wants": true, "a request that came over the broker is refused": true,
	"a request that came over the broker could not be answered": true, "a request came over the broker and there is no room even to refuse it": true,
	"a weighing was not typed": true, "a weighing was typed only in part": true, "an entry was refused for good and is parked": true,
	"a parked entry was refused again": true, "an entry was left out of a batch for good and is parked": true,
	"a Sparkplug command cannot be read and is left alone": true, "the configuration was changed": true, "an edit of the configuration waits for a person": true,
	"an account is locked after attempts that failed": true, "a file with requests has a name that cannot be used": true, "took a file with requests": true,
}

// pair is an attribute of a line of the log.
type pair struct{ key, value string }

// lineOf takes out of a line of the log what may not be in a bundle; ok is false for a line that weighpost did not write, and
// which is none of those that the Go runtime leaves when it ends.
func lineOf(line string) (clean string, ok bool) {
	pairs, ok := readLine(line)
	if !ok {
		return line, ofRuntime(line)
	}
	msg, code := "", ""
	for _, p := range pairs {
		switch p.key {
		case "msg":
			msg = p.value
		case "code":
			code = p.value
		}
	}
	var b strings.Builder
	for i, p := range pairs {
		always := p.key == "time" || p.key == "level" || p.key == "msg"
		switch {
		case !always && personal[msg] && p.key != "balance" && p.key != "sink" && p.key != "repeats",
			!kept[p.key],
			p.key == "subject" && aboutPerson(code):
			p.value = leftOut
		case p.key == "msg" && silent[code]: // a condition that is logged by its own sentence
			p.value = leftOut
		}
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(quoted(p.key) + "=" + quoted(p.value))
	}
	return b.String(), true
}

func quoted(text string) string {
	if text == "" || strings.ContainsAny(text, " =\"\\\n\t") {
		return strconv.Quote(text)
	}
	return text
}

// readLine reads a line as slog writes it, as text or as JSON.
func readLine(line string) (pairs []pair, ok bool) {
	line = regexp.MustCompile(`^<[0-7]>`).ReplaceAllString(strings.TrimSpace(line), "")
	if strings.HasPrefix(line, "{") {
		var all map[string]any
		if json.Unmarshal([]byte(line), &all) != nil || all["msg"] == nil {
			return nil, false
		}
		for _, key := range slices.Sorted(maps.Keys(all)) {
			pairs = append(pairs, pair{key, fmt.Sprint(all[key])})
		}
		return pairs, true
	}
	for line != "" {
		key, rest, good := word(line)
		if !good || !strings.HasPrefix(rest, "=") {
			return nil, false
		}
		value, rest, good := word(rest[1:])
		if !good || rest != "" && rest[0] != ' ' {
			return nil, false
		}
		pairs = append(pairs, pair{key, value})
		line = strings.TrimPrefix(rest, " ")
	}
	return pairs, slices.ContainsFunc(pairs, func(p pair) bool { return p.key == "level" })
}

// word reads one key or value from the beginning of a line.
func word(line string) (text, rest string, ok bool) {
	if strings.HasPrefix(line, `"`) {
		q, err := strconv.QuotedPrefix(line)
		if err != nil {
			return "", "", false
		}
		text, err := strconv.Unquote(q)
		return text, line[len(q):], err == nil
	}
	end := strings.IndexAny(line, " =")
	if end < 0 {
		end = len(line)
	}
	return line[:end], line[end:], true
}

// runtimeLine are lines that the Go runtime writes when a program ends, with addresses of memory and no data.
var runtimeLine = regexp.MustCompile(`^(SIG[A-Z]+: |PC=|goroutine \d+|created by |runtime: |runtime\.|r\d+ +0x|[a-z0-9]{2,6} +0x[0-9a-f]+$|fatal error: |\t/?[\w@./-]+\.(go|s):\d+|[\w./*()-]+\([0-9a-fx, ?{}.]*\)$|weighpost [\w.+-]+ at )`)

func ofRuntime(line string) bool { return line == "" || runtimeLine.MatchString(line) }
