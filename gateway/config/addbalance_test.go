package config

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"gopkg.in/yaml.v3"

	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

const someLayout = "line: \"{weight 10} {unit 3}\"\n"

// folder is a folder with the layouts that the examples name.
func folder(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "layouts"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"bench-net-grams.yaml", "stream-settling.yaml", "seeds.yaml"} {
		if err := os.WriteFile(filepath.Join(dir, "layouts", name), []byte(someLayout), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func quantity(t testing.TB, s string) intake.Quantity {
	t.Helper()
	q, err := intake.ParseQuantity(s)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func newBalance(t testing.TB) intake.Config {
	return intake.Config{ID: "b-20", Serial: "0048", Place: `Cold store: shelf "2"`, Capacity: quantity(t, "220 g"),
		Readability: quantity(t, "0.0001 g"), Layout: "layouts/seeds.yaml",
		Port: port.Config{Address: "/dev/serial/by-id/usb-seed-20", Speed: 4800, Parity: port.ParityEven, DataBits: 7}}
}

const added = `- id: b-20
  serial: "0048"
  place: "Cold store: shelf \"2\""
  capacity: 220 g
  readability: 0.0001 g
  port:
    address: /dev/serial/by-id/usb-seed-20
    speed: 4800
    data_bits: 7
    parity: even
  layout: layouts/seeds.yaml
`

const flowAdded = `{id: b-20, serial: "0048", place: "Cold store: shelf \"2\"", capacity: "220 g", readability: "0.0001 g", ` +
	`port: {address: /dev/serial/by-id/usb-seed-20, speed: 4800, data_bits: 7, parity: even}, layout: layouts/seeds.yaml}`

const head = "site: north-lab\njournal: {folder: j}\n"

const first = "- id: b-1\n  port: {address: /dev/ttyS1}\n  layout: layouts/seeds.yaml\n"

func indented(s, by string) string {
	return by + strings.ReplaceAll(strings.TrimSuffix(s, "\n"), "\n", "\n"+by) + "\n"
}

// TestAddBalance shows where the balance goes, whatever the file looks like.
func TestAddBalance(t *testing.T) {
	cases := []struct{ name, before, after string }{
		{"after the only one", head + "balances:\n" + first, head + "balances:\n" + first + added},
		{"before the next key", head + "balances:\n" + first + "log: {level: warn}\n", head + "balances:\n" + first + added + "log: {level: warn}\n"},
		{"no line end at the end", head + "balances:\n" + strings.TrimSuffix(first, "\n"), head + "balances:\n" + first + added},
		{"indented", head + "balances:\n" + indented(first, "  ") + "# the end\n", head + "balances:\n" + indented(first, "  ") + indented(added, "  ") + "# the end\n"},
		{"comments of the last balance", head + "balances:\n" + first + "  # place: cellar\n\n    # or so\n\n# the end\nlog: {level: warn}\n",
			head + "balances:\n" + first + "  # place: cellar\n\n    # or so\n" + added + "\n# the end\nlog: {level: warn}\n"},
		{"a comment behind the last value", head + "balances:\n" + strings.TrimSuffix(first, "\n") + " # seeds\n", head + "balances:\n" + strings.TrimSuffix(first, "\n") + " # seeds\n" + added},
		{"blank lines between balances", head + "balances:\n" + first + "\n# two\n" + strings.ReplaceAll(first, "1", "2") + "\n\nlog: {level: warn}\n",
			head + "balances:\n" + first + "\n# two\n" + strings.ReplaceAll(first, "1", "2") + "\n" + added + "\n\nlog: {level: warn}\n"},
		{"items in braces", head + "balances:\n- {id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}\n",
			head + "balances:\n- {id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}\n" + added},
		{"no list", head, head + "balances:\n" + added},
		{"no list, other lists indented", head + "\nsinks:\n  - {id: s, kind: files, folder: /srv}\n\n", head + "\nsinks:\n  - {id: s, kind: files, folder: /srv}\n\nbalances:\n" + indented(added, "  ") + "\n"},
		{"no list, no line end", strings.TrimSuffix(head, "\n"), head + "balances:\n" + added},
		{"no list, end of document", "---\n" + head + "...\n", "---\n" + head + "balances:\n" + added + "...\n"},
		{"nothing after the key", head + "balances:\nlog: {level: warn}\n", head + "balances:\n" + added + "log: {level: warn}\n"},
		{"nothing after the last key", head + "balances:", head + "balances:\n" + added},
		{"only a comment after the key", head + "balances: # none yet\n  # - id: b-1\n", head + "balances: # none yet\n" + added + "  # - id: b-1\n"},
		{"empty list", head + "balances: []\n", head + "balances:\n" + added},
		{"empty list with a comment", head + "balances: [ ]  # none yet\nlog: {level: warn}\n", head + "balances:  # none yet\n" + added + "log: {level: warn}\n"},
		{"null", head + "balances: ~\n", head + "balances:\n" + added},
		{"empty list over two lines", head + "balances: [\n]\n", head + "balances: [\n" + flowAdded + "]\n"},
		{"list in brackets", head + "balances: [{id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}] # one\n",
			head + "balances: [{id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}, " + flowAdded + "] # one\n"},
		{"list in brackets, a line each", head + "balances: [\n  {id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml} # one\n]\n",
			head + "balances: [\n  {id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml},\n  " + flowAdded + " # one\n]\n"},
		{"list in brackets, comma at the end", head + "balances: [{id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml},]\n",
			head + "balances: [{id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}, " + flowAdded + "]\n"},
		{"all in braces", "{site: north-lab, journal: {folder: j}}\n", "{site: north-lab, journal: {folder: j}, balances: [" + flowAdded + "]}\n"},
		{"all in braces, with a list", "{site: north-lab, balances: [], journal: {folder: j}}\n", "{site: north-lab, balances: [" + flowAdded + "], journal: {folder: j}}\n"},
		{"all indented", "  site: north-lab\n  journal: {folder: j}\n", "  site: north-lab\n  journal: {folder: j}\n  balances:\n" + indented(added, "  ")},
		{"signs beyond ASCII", "# Körner\n" + head + "balances: [{id: b-1, place: Kühlraum 日, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}]\n",
			"# Körner\n" + head + "balances: [{id: b-1, place: Kühlraum 日, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}, " + flowAdded + "]\n"},
		{"a byte order mark", "\ufeff" + head + "balances:\n" + first, "\ufeff" + head + "balances:\n" + first + added},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := folder(t)
			for _, end := range []string{"\n", "\r\n"} {
				before, after := strings.ReplaceAll(c.before, "\n", end), strings.ReplaceAll(c.after, "\n", end)
				if !strings.Contains(before, end) {
					continue
				}
				got, err := AddBalance(filepath.Join(dir, "weighpost.yaml"), []byte(before), newBalance(t))
				if err != nil {
					t.Fatalf("line end %q: %v", end, err)
				}
				if string(got) != after {
					t.Errorf("line end %q, got\n%s\nwant\n%s", end, got, after)
				}
			}
		})
	}
}

// TestAddBalanceToExamples adds to the configurations that we ship. The oracle is ours in neither half: a line-by-line
// comparison, and yaml.v3.
func TestAddBalanceToExamples(t *testing.T) {
	for _, name := range []string{"minimal.yaml", "commented.yaml"} {
		dir := folder(t)
		src, err := os.ReadFile(filepath.Join("../../configs", name))
		if err != nil {
			t.Fatal(err)
		}
		got, err := AddBalance(filepath.Join(dir, name), src, newBalance(t))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		rest := strings.Replace(string(got), added, "", 1)
		if name == "commented.yaml" {
			rest = strings.Replace(string(got), "\n"+added, "", 1)
		}
		if rest != string(src) {
			t.Errorf("%s: besides the new lines something changed:\n%s", name, got)
		}
		if !strings.Contains(string(got), added) || strings.Index(string(got), added) > strings.Index(string(got), "\nsinks:") {
			t.Errorf("%s: the balance does not stand in its list:\n%s", name, got)
		}
		c, faults := Load(filepath.Join(dir, name), got)
		if len(faults) > 0 || c.Balances[len(c.Balances)-1].ID != "b-20" {
			t.Errorf("%s: %v", name, faults)
		}
	}
}

// TestAddBalanceRefuses shows what is not taken, and that nothing comes out then.
func TestAddBalanceRefuses(t *testing.T) {
	one := head + "balances:\n" + first
	cases := []struct {
		name, before string
		change       func(*intake.Config)
		want         string
	}{
		{"id in use", one, func(b *intake.Config) { b.ID = "b-1" }, `"b-1" is the id of balances[0] already`},
		{"port in use", one, func(b *intake.Config) { b.Port.Address = "/dev/ttyS1" }, `is the port of balance "b-1" (balances[0]) already`},
		{"layout missing", one, func(b *intake.Config) { b.Layout = "layouts/none.yaml" }, "there is no file"},
		{"faults that were there", one + "spead: 3\n", nil, `unknown key "spead"`},
		{"no YAML", "site: [\n", nil, "is no YAML"},
		{"empty", "# nothing\n", nil, "is empty"},
		{"a scanner's name", head + "balances:\n" + first + "  scanner: {port: {address: /dev/ttyS7}, rules: [{item: sample}]}\n",
			func(b *intake.Config) { b.ID = "b-1-scanner" }, "another id for one of the two balances"},
		{"an alias", "site: &a north-lab\njournal: {folder: *a}\n", nil, "anchors"},
		{"a word for a list", head + "balances: none\n", nil, "by hand"},
	}
	for _, c := range cases {
		b := newBalance(t)
		if c.change != nil {
			c.change(&b)
		}
		got, err := AddBalance(filepath.Join(folder(t), "weighpost.yaml"), []byte(c.before), b)
		if err == nil || !strings.Contains(err.Error(), c.want) || got != nil {
			t.Errorf("%s: %v, want %q; %q came out", c.name, err, c.want, got)
		}
	}
}

// TestBalanceBlockReadsBack writes texts that YAML could take otherwise and reads them with two libraries.
func TestBalanceBlockReadsBack(t *testing.T) {
	words := []string{"0047", "1e3", "12:30:00", "true", "No", "~", "null", "-", "- a", "a: b", "a #b", "#a", "'x'", `"x"`, `back\slash`, "a,b", "[a]",
		"{a}", "&a", "*a", "!a", "|", ">", "%a", "@a", "`a", "Kühlraum", "2027-03-05", "0x1F", "1_000", ".5", "+1", "=", "<<", "a:", ":a", "?", "? a", " a", "a ", "", "shelf 2, left"}
	for _, word := range words {
		for _, flowing := range []bool{false, true} {
			b := newBalance(t)
			b.Serial, b.Place = word, word
			before := head + "balances:\n" + first
			if flowing {
				before = "{site: north-lab, journal: {folder: j}}\n"
			}
			dir := folder(t)
			got, err := AddBalance(filepath.Join(dir, "weighpost.yaml"), []byte(before), b)
			if err != nil {
				t.Errorf("%q: %v", word, err)
				continue
			}
			var other struct {
				Balances []struct{ Serial, Place string }
			}
			if err := yaml.Unmarshal(got, &other); err != nil {
				t.Errorf("%q: yaml.v3: %v\n%s", word, err, got)
				continue
			}
			if last := other.Balances[len(other.Balances)-1]; last.Serial != word || last.Place != word {
				t.Errorf("%q is read back as %q by yaml.v3:\n%s", word, last.Place, got)
			}
		}
	}
}

// TestAddBalanceManyTimes adds balances to files that are put together at random. Each time the old lines are all there, in
// order.
func TestAddBalanceManyTimes(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	r := rand.New(rand.NewPCG(seed, 5))
	dir := folder(t)
	for range 300 {
		src := []byte(randomFile(r))
		b := newBalance(t)
		got, err := AddBalance(filepath.Join(dir, "weighpost.yaml"), src, b)
		if err != nil {
			var faults strict.Faults
			if errors.As(err, &faults) || !errors.Is(err, ErrByHand) {
				t.Fatalf("seed %d: %v\n%s", seed, err, src)
			}
			t.Errorf("seed %d: %v\n%s", seed, err, src)
			continue
		}
		left := strings.Split(string(got), "\n")
		for line := range strings.SplitSeq(strings.TrimSuffix(string(src), "\n"), "\n") {
			at := -1
			for i, l := range left {
				if strings.TrimRight(l, "\r") == strings.TrimRight(line, "\r") {
					at = i
					break
				}
			}
			if at < 0 {
				t.Fatalf("seed %d: the line %q is lost or out of order in\n%s", seed, line, got)
			}
			left = left[at+1:]
		}
		if again, err := AddBalance(filepath.Join(dir, "weighpost.yaml"), got, b); err == nil {
			t.Fatalf("seed %d: the same balance was added twice:\n%s", seed, again)
		}
	}
}

func randomFile(r *rand.Rand) string {
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	gap := func() string {
		return pick("", "", "\n", "\n\n", "# a note\n", "  # a note further in\n", "\n# a note\n\n")
	}
	parts := []string{"site: " + pick("north-lab", `"north-lab" # home`) + "\n", pick("journal: {folder: j}\n", "journal:\n    folder: j\n")}
	if r.IntN(2) == 0 {
		parts = append(parts, pick("page: {listen: 127.0.0.1:0}\n", "log:\n  level: warn # loud\n", "clock:\n  servers: [a.example]\n"))
	}
	in := pick("", "  ", "    ")
	list := ""
	for i := range r.IntN(4) {
		item := strings.ReplaceAll(first, "1", string(rune('1'+i)))
		list += gap() + indented(item, in)
	}
	if list != "" {
		parts = append(parts, "balances:"+pick("", " # here")+"\n"+list)
	}
	r.Shuffle(len(parts), func(i, j int) { parts[i], parts[j] = parts[j], parts[i] })
	text := gap()
	for _, p := range parts {
		text += p + gap()
	}
	if r.IntN(4) == 0 {
		text = strings.TrimRight(text, "\n")
	}
	return text
}

// TestAddBalanceThatIsAsked keeps each byte of the question.
func TestAddBalanceThatIsAsked(t *testing.T) {
	for _, send := range []intake.Bytes{"\x05", "P\r\n", "\x02 \"Q\\\x03\xe9\xff\x00", "a: b #c", "- {x}"} {
		for _, before := range []string{head, "{site: north-lab, journal: {folder: j}}\n"} {
			b := newBalance(t)
			b.Ask = &intake.AskConfig{Send: send, Every: strict.Duration(2 * time.Second)}
			b.Record.Kind = intake.Settling
			if out, err := AddBalance(filepath.Join(folder(t), "weighpost.yaml"), []byte(before), b); err != nil || !strings.Contains(string(out), "every: 2s") {
				t.Errorf("%q: %v\n%s", send, err, out)
			}
		}
	}
}

func TestNewText(t *testing.T) {
	dir := folder(t)
	c, faults := Load(filepath.Join(dir, "weighpost.yaml"), NewText("north-lab", "/var/lib/weighpost", newBalance(t)))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	want := newBalance(t)
	if got := c.Balances[0]; !reflect.DeepEqual(got.Port, want.Port) || got.Serial != want.Serial || c.Journal.Folder != "/var/lib/weighpost" {
		t.Errorf("%+v", got)
	}
}

// TestOnlyAdded finds what else changed: it is the last judge before a file is written.
func TestOnlyAdded(t *testing.T) {
	dir := folder(t)
	path := filepath.Join(dir, "weighpost.yaml")
	before := head + "balances:\n" + first
	b := newBalance(t)
	good := before + added
	for text, want := range map[string]bool{
		good: true,
		strings.Replace(good, "folder: j", "folder: k", 1):                 false, // another key
		strings.Replace(good, "/dev/ttyS1", "/dev/ttyS2", 1):               false, // another balance
		head + "balances:\n" + added + first:                               false, // another order
		strings.Replace(good, "id: b-20", "id: b-21", 1):                   false, // another id
		strings.Replace(good, "parity: even", "parity: odd", 1):            false, // other settings
		strings.Replace(good, "0.0001 g", "0.0002 g", 1):                   false, // another readability
		good + "log: {level: warn}\n":                                      false, // one more key
		strings.Replace(good, "- id: b-1\n", "- id: b-1\n  place: x\n", 1): false,
	} {
		c, faults := Load(path, []byte(text))
		if len(faults) > 0 {
			t.Fatalf("%v\n%s", faults, text)
		}
		if err := onlyAdded([]byte(before), []byte(text), c, b); (err == nil) != want {
			t.Errorf("want %v: %v\n%s", want, err, text)
		}
	}
}
