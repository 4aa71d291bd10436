package procedure

import (
	"cmp"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/configs"
)

var update = flag.Bool("update", false, "write the manual page of the ready procedures anew")

const (
	readyPage = "../help/pages/ready-procedures.md"
	// written ends the part of the page that people write. What follows comes from the definitions and the scripts, so that it is what they say.
	written = "\n## The procedures one by one\n"
)

// The manual page says what the definitions and the examples say.
func TestReadyProceduresAreInTheManual(t *testing.T) {
	page, err := os.ReadFile(readyPage)
	if err != nil {
		t.Fatal(err)
	}
	head, _, found := strings.Cut(string(page), written)
	if !found {
		t.Fatalf("%s has no line %q", readyPage, strings.TrimSpace(written))
	}
	want := head + written
	for _, name := range readyNames(t) {
		if !strings.Contains(head, "(#"+name+")") {
			t.Errorf("the list at the beginning of the page has no %s", name)
		}
		want += section(t, name)
	}
	if *update {
		if err := os.WriteFile(readyPage, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if string(page) != want {
		t.Errorf("%s is not what the definitions and scripts say: go test ./gateway/procedure -run InTheManual -update", readyPage)
	}
}

func section(t *testing.T, name string) string {
	t.Helper()
	src, err := configs.Procedures.ReadFile("procedures/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	d := parse(t, string(src))
	var b strings.Builder
	fmt.Fprintf(&b, "\n### %s\n\n%s. %s\n\nSource: %s.\n\n", name, d.Title, aboutWords(d), d.Source)
	for _, c := range d.Cautions {
		fmt.Fprintf(&b, "- %s\n", c)
	}
	if len(d.Parameters) > 0 {
		b.WriteString("\n| is given before | | unit | within | if nobody gives it |\n| --- | --- | --- | --- | --- |\n")
		for _, p := range d.Parameters {
			if p.optional() {
				p.Default = "there is no such limit"
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", p.Name, p.Label, cmp.Or(p.Unit, p.Kind),
				cmp.Or(within(p.Limits), strings.Join(p.Choices, "; ")), cmp.Or(p.Default, "it has to be given"))
		}
	}
	b.WriteString("\n| step | finds | by | rounded | limits | from |\n| --- | --- | --- | --- | --- | --- |\n")
	for i := range d.Steps {
		b.WriteString(stepRow(d, &d.Steps[i]))
	}
	scripts, err := filepath.Glob("testdata/ready/" + name + "*.txt")
	if err != nil {
		t.Fatal(err)
	}
	slices.SortStableFunc(scripts, func(a, b string) int { return len(a) - len(b) }) // the plain one first
	for _, path := range scripts {
		b.WriteString(exampleOf(t, name, path))
	}
	return b.String()
}

func aboutWords(d *Definition) string {
	what := map[string]string{"nothing": "nothing", "samples": "a sample", "containers": "a container", "both": "a sample in a container"}[d.About]
	if d.Most > 1 {
		what = fmt.Sprintf("up to %d %s", d.Most, map[string]string{"samples": "samples", "containers": "containers", "both": "samples, each in a container"}[d.About])
	}
	return "A run is about " + what + "."
}

func within(l Limits) string {
	var words []string
	for _, w := range []limit{{"at least ", l.AtLeast}, {"at most ", l.AtMost}, {"warned below ", l.WarnAtLeast}, {"warned above ", l.WarnAtMost}} {
		if w.text != "" {
			words = append(words, w.key+"`"+w.text+"`")
		}
	}
	return strings.Join(words, ", ")
}

// stepRow is a row for a step that finds a value of its own.
func stepRow(d *Definition, s *Step) string {
	how := ""
	switch s.Do {
	case Compute:
		how = "`" + s.Formula + "`"
	case Weigh, Empty:
		if how = "weighed"; s.Less != "" {
			how += " less `" + s.Less + "`"
		} else if s.From != "" {
			how = "`" + s.From + "` less what is weighed"
		}
		if s.Target != "" {
			how += ", towards `" + s.Target + "` within `" + s.Tolerance + "`"
		}
	case Environment:
		if how = "typed"; s.Air {
			how = "typed, or read off an instrument"
		}
	case Ask:
		how = "asked"
	case Decide:
		how = "`" + s.If + "`"
		if s.Else != "" {
			how += ", or else back to `" + s.Else + "`"
		}
	default:
		return ""
	}
	name := "`" + s.ID + "`"
	if slices.Contains(d.Results, s.ID) {
		name = "**" + s.ID + "**"
	}
	rounded := s.Round
	if s.Rule != "" {
		rounded += ", " + s.Rule
	}
	return fmt.Sprintf("| %s | %s | %s | %s | %s | %s |\n", name, s.Label, how, rounded, within(s.Limits), s.Limits.From)
}

// exampleOf tells of the example that a script plays, where the script is this procedure's and not that of one whose name begins likewise.
func exampleOf(t *testing.T, name, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	said, given, weighed, held := map[string]string{}, []string{}, []string{}, []string{}
	for line := range strings.Lines(string(text)) {
		word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		switch word {
		case "parameter":
			given = append(given, "`"+strings.Replace(rest, " ", "` ", 1))
		case "weigh", "tared":
			if f := strings.Fields(rest); len(f) > 21 {
				rest = fmt.Sprintf("%s … (%d in all) %s", strings.Join(f[:8], " "), len(f)-1, f[len(f)-1])
			}
			weighed = append(weighed, rest)
		case "printed", "worked", "reported":
			held = append(held, word+" `"+strings.Replace(rest, " ", "` ", 1))
		case "fails":
			held = append(held, "outside its limits: `"+rest+"`")
		default:
			said[word] = rest
		}
	}
	if said["procedure"] != name {
		return ""
	}
	out := fmt.Sprintf("\n*Example.* %s. *How sure:* %s.\n", said["source"], said["sure"])
	for _, part := range []struct {
		what string
		all  []string
	}{{"Given", given}, {"Weighed", weighed}, {"Held", held}} {
		if len(part.all) > 0 {
			out += part.what + ": " + strings.Join(part.all, "; ") + ".\n"
		}
	}
	if v := said["verdict"]; v != "" {
		out += "The run: " + v + ".\n"
	}
	return out
}

// A form that shows a ready procedure gives the same procedure back.
func TestReadyProceduresGoThroughTheForm(t *testing.T) {
	for _, name := range readyNames(t) {
		src, err := configs.Procedures.ReadFile("procedures/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		d := parse(t, string(src))
		text, err := Write(Form(d))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		again := parse(t, text)
		if a, b := asJSON(t, d), asJSON(t, again); a != b {
			t.Errorf("%s became\n%s", name, text)
		}
	}
}
