package injected

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"time"
	"unicode"

	"github.com/parquet-go/parquet-go"

	"weighpost/gateway/backup"
	"weighpost/gateway/journal"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// carried is what of a weighing came from outside.
type carried struct {
	ID      string
	Context struct {
		Person, Sample, Method, Run, Lot struct{ ID string }
		Fields                           map[string]string
	}
}

// all says whether every item is an id.
func (c carried) all(id string) bool {
	x := c.Context
	return x.Person.ID == id && x.Sample.ID == id && x.Method.ID == id && x.Run.ID == id && x.Lot.ID == id && x.Fields["box"] == id
}

// weighings reads what was recorded over the API, and gives the exact JSON of each weighing, in the order of the ids.
func (l *lab) weighings(all []string) (entries []string) {
	l.t.Helper()
	_, answer := l.ask(200, "GET", "weighings?limit=1000", nil)
	var list struct{ Weighings []json.RawMessage }
	if err := json.Unmarshal([]byte(answer), &list); err != nil || len(list.Weighings) != len(all) {
		l.t.Fatalf("%d weighings, %v", len(list.Weighings), err)
	}
	for i, one := range list.Weighings {
		l.carries("the API", string(one), all[i])
		entries = append(entries, string(one))
	}
	return entries
}

func (l *lab) carries(where, entry, id string) {
	l.t.Helper()
	var c carried
	if err := json.Unmarshal([]byte(entry), &c); err != nil || !c.all(id) {
		l.t.Errorf("%s has under %q: %v %+v", where, id, err, c)
	}
}

// outputs looks at everything that the weighings went to while the daemon runs.
func (l *lab) outputs(all, entries []string) {
	l.waitFor("everything at the receiver", func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		_, last := l.posted["/weighings/"+url.PathEscape(field(l.t, entries[len(entries)-1], "id"))]
		return last
	})
	l.waitFor("everything at the broker", func() bool { return len(l.heard("/b-1/weighing")) >= len(all) })
	l.waitFor("every file", func() bool { return len(l.files("json")) >= len(all) })
	l.waitFor("every row", func() bool {
		return len(l.rows("csv", l.whole("csv"))) > len(all) && len(l.rows("sheet", l.whole("sheet"))) > len(all)
	})
	l.overMQTT(all, entries)
	l.overHTTP(entries)
	l.inFiles(all, entries)
	l.inTables("the files sink", l.rows("csv", l.whole("csv")), all, false)
	l.inTables("the files sink for spreadsheets", l.rows("sheet", l.whole("sheet")), all, true)
	l.exported(all, entries)
	l.printed(all)
}

func (l *lab) overMQTT(all, entries []string) {
	for i, payload := range l.heard("/b-1/weighing") {
		if payload != entries[i] {
			l.t.Errorf("the broker has %s, not %s", payload, entries[i])
		}
		l.carries("the broker", payload, all[i])
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for topic := range l.messages {
		if strings.ContainsAny(topic, "+#") || !strings.HasPrefix(topic, "weighpost/seed-bank/") || strings.Count(topic, "/") > 4 && !sinkStatus.MatchString(topic) {
			l.t.Errorf("something was published under %q", topic)
		}
	}
}

func (l *lab) overHTTP(entries []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, entry := range entries {
		path := "/weighings/" + url.PathEscape(field(l.t, entry, "id"))
		if got, there := l.posted[path]; !there || strings.TrimSpace(got) != entry {
			l.t.Errorf("at %s the receiver has %q, not %s", path, got, entry)
		}
	}
	for path := range l.posted {
		if !postedTo.MatchString(path) {
			l.t.Errorf("something was sent to %q", path)
		}
	}
}

// sinkStatus is where it is told how a destination of the configuration is; no balance is called @.
var sinkStatus = regexp.MustCompile(`^weighpost/seed-bank/@/sink/(broker|json|ndjson|csv|sheet|lims|refuses)/status$`)

var postedTo = regexp.MustCompile(`^/weighings/seed-bank%2F[0-9a-z]+%2F[a-z0-9@%-]*%2F[0-9]+$`)

// files gives the files of a sink's folder that are in its form, with what is in them.
func (l *lab) files(folder string) map[string]string {
	found := map[string]string{}
	dir, ext := filepath.Join(l.dir, folder), "."+strings.Replace(folder, "sheet", "csv", 1)
	_ = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ext {
			return err
		}
		b, err := os.ReadFile(path)
		rel, _ := filepath.Rel(dir, path)
		found[rel] = string(b)
		return err
	})
	return found
}

// whole gives all that is in a folder.
func (l *lab) whole(folder string) string {
	text := ""
	for _, b := range l.files(folder) {
		text += b
	}
	return text
}

var plainName = regexp.MustCompile(`^[A-Za-z0-9._%-]+$`)

func (l *lab) inFiles(all, entries []string) {
	found := l.files("json")
	at := map[string]string{}
	for name, text := range found {
		at[strings.TrimSpace(text)] = name
		for _, part := range strings.Split(name, "/") {
			if !plainName.MatchString(part) || strings.HasSuffix(part, ".") || part == ".." || strings.HasPrefix(part, ".") || len(part) > 255 {
				l.t.Errorf("a file is named %q", name)
			}
		}
	}
	for i, entry := range entries {
		name, there := at[entry]
		if !there || strings.Split(name, "/")[0] != format.SafeName(all[i]) {
			l.t.Errorf("the entry of %q is in the file %q", all[i], name)
		}
	}
	lines := strings.Split(strings.TrimSpace(l.whole("ndjson")), "\n")
	for i, entry := range entries {
		if !strings.Contains("\n"+strings.Join(lines, "\n")+"\n", "\n"+entry+"\n") {
			l.t.Errorf("no line is the entry of %q", all[i])
		}
	}
	for _, outside := range []string{"owned", "/tmp/owned", "/etc/owned", filepath.Join(l.dir, "owned"), filepath.Join(l.dir, "json", "owned")} {
		if _, err := os.Lstat(outside); err == nil {
			l.t.Errorf("there is %s", outside)
		}
	}
}

func (l *lab) rows(what, text string) [][]string {
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, format.BOM))).ReadAll()
	if err != nil {
		l.t.Fatalf("%s: %v", what, err)
	}
	return rows
}

// inTables holds rows to the ids. In a spreadsheet no cell may begin as a formula does (OWASP, CSV Injection).
func (l *lab) inTables(what string, rows [][]string, all []string, spreadsheet bool) {
	l.t.Helper()
	if len(rows) != len(all)+1 {
		l.t.Fatalf("%s has %d rows for %d weighings", what, len(rows), len(all))
	}
	for i, row := range rows[1:] {
		for j, name := range rows[0] {
			cell := row[j]
			if spreadsheet && cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r") && name != "zone" {
				l.t.Errorf("%s: under %s a spreadsheet would run %q", what, name, cell)
			}
			if name != "sample" && name != "person" && name != "method" && name != "run" && name != "lot" {
				continue
			}
			want := all[i]
			if spreadsheet {
				want = format.ForSpreadsheet(want, false)
			}
			if cell != want {
				l.t.Errorf("%s has under %s %q, not %q", what, name, cell, want)
			}
		}
	}
}

// exported asks for every form of export.
func (l *lab) exported(all, entries []string) {
	get := func(query string) string {
		_, file := l.ask(200, "GET", "export?kind=weighing&"+query, nil)
		return file
	}
	l.inTables("the export", l.rows("the export", get("format=csv")), all, false)
	l.inTables("the export for spreadsheets", l.rows("the export", get("format=csv&spreadsheet=true")), all, true)
	if got := strings.TrimSpace(get("format=ndjson")); got != strings.Join(entries, "\n") {
		l.t.Errorf("the export in NDJSON has other lines than the journal: %.300s", got)
	}
	type columns struct {
		Sample string `parquet:"sample"`
		Person string `parquet:"person"`
	}
	file := []byte(get("format=parquet"))
	list, err := parquet.Read[columns](bytes.NewReader(file), int64(len(file)))
	if err != nil || len(list) != len(all) {
		l.t.Fatalf("%d rows of Parquet, %v", len(list), err)
	}
	for i, id := range all {
		if list[i].Sample != id || list[i].Person != id {
			l.t.Errorf("Parquet has %+v, not %q", list[i], id)
		}
	}
	l.onPaper(all, get("format=pdf"))
	z, err := zip.NewReader(strings.NewReader(get("format=csv&pack=zip")), int64(len(get("format=csv&pack=zip"))))
	if err == nil {
		for _, f := range z.File {
			if !plainName.MatchString(f.Name) {
				l.t.Errorf("a file in the archive is named %q", f.Name)
			}
		}
	}
}

// onPaper reads the PDF with a program that is not ours. Lines are broken where they are long, so that spaces do not count.
func (l *lab) onPaper(all []string, file string) {
	needs.Programs(l.t, "pdftotext")
	path := filepath.Join(l.dir, "export.pdf")
	if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
		l.t.Fatal(err)
	}
	text, err := exec.CommandContext(l.t.Context(), "pdftotext", "-raw", path, "-").Output()
	if err != nil {
		l.t.Fatal(err)
	}
	together := func(s string) string {
		return strings.Map(func(r rune) rune {
			if unicode.IsSpace(r) || unicode.IsControl(r) {
				return -1
			}
			return r
		}, s)
	}
	seen := together(string(text))
	for _, id := range all {
		if ascii(id) && len(id) < 60 && !strings.Contains(seen, together(id)) {
			l.t.Errorf("%q is not in the PDF's text", id)
		}
	}
	if strings.Contains(file, "/JavaScript") || strings.Contains(file, "/JS") || strings.Contains(file, "/OpenAction") {
		l.t.Error("the PDF would do something")
	}
}

func ascii(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return r > '~' })
}

// printed looks at what commands print.
func (l *lab) printed(all []string) {
	dir, file := filepath.Join(l.dir, "journal"), filepath.Join(l.dir, "weighpost.yaml")
	list := l.program("journal", "list", dir)
	row := regexp.MustCompile(`(?m)^\d+ +\d{4}-\d\d-\d\dT\S+ `)
	if lines, rows := strings.Count(list, "\n")-1, len(row.FindAllString(list, -1)); lines != rows {
		l.t.Errorf("journal list prints %d lines, of which %d are entries", lines, rows)
	}
	for _, id := range all {
		if !strings.Contains(list, id) {
			l.t.Errorf("journal list does not show %q as it is", id)
		}
	}
	people := l.program("people", "list", "--config", file)
	held := l.rows("people rights", l.program("people", "rights", "--config", file, "--csv"))
	if len(held) == 0 {
		l.t.Fatal("people rights prints nothing")
	}
	names := map[string]bool{}
	for _, row := range held[1:] {
		names[row[1]] = true
		if row[1] != "" && strings.ContainsAny(row[1][:1], "=+-@\t\r") {
			l.t.Errorf("people rights --csv: a spreadsheet would run %q", row[1])
		}
	}
	for _, id := range all {
		if short := len([]rune(id)) <= 120; short && (!strings.Contains(people, id) || !names[format.ForSpreadsheet(id, false)]) {
			l.t.Errorf("people list or people rights do not show %q as it is", id)
		}
	}
}

// afterwards looks at the journal, the backup and the log of a daemon that has ended.
func (l *lab) afterwards(all, entries []string) {
	t, dir := l.t, filepath.Join(l.dir, "journal")
	report, err := journal.Verify(t.Context(), dir, "", nil)
	if err != nil || !report.Verified {
		t.Errorf("the journal does not verify: %v %s", err, report.Text())
	}
	l.inJournal("the journal", dir, all, entries)
	made, err := filepath.Glob(filepath.Join(l.dir, "backups", "*.tar"))
	if err != nil || len(made) == 0 {
		t.Fatalf("%q %v", made, err)
	}
	file, err := backup.Open(made[len(made)-1]) // the daemon makes one by itself before
	if err != nil {
		t.Fatal(err)
	}
	into := filepath.Join(t.TempDir(), "restored")
	if _, err := file.Restore(t.Context(), backup.RestoreOrder{Into: into, By: record.Actor{ID: "ada", By: record.ActorHost}, Stamp: record.Stamp{UTC: record.UTC(time.Now()), Zone: "+00:00", Clock: "unchecked"}}); err != nil {
		t.Fatal(err)
	}
	l.inJournal("the journal of the backup", into, all, entries)

	log := l.log.String()
	harmless(t, "the log", log)
	line := regexp.MustCompile(`^time=\S+ level=(DEBUG|INFO|WARN|ERROR) msg=`)
	for text := range strings.Lines(log) {
		if !line.MatchString(text) || strings.Count(text, " level=ERROR msg=owned")+strings.Count(text, "\r") > 0 && !strings.Contains(text, `\"`) {
			t.Errorf("a line of the log: %q", text)
		}
	}
}

func (l *lab) inJournal(what, dir string, all, entries []string) {
	l.t.Helper()
	var found []string
	err := journal.Scan(l.t.Context(), dir, 0, func(e record.Entry) error {
		if unfit := strings.Contains(string(e.JSON), `"state":"in check"`) || strings.Contains(string(e.JSON), `"state":"out of service"`); e.Kind == record.KindWeighing && !unfit { // what a check did not take is a weighing too, and none of these
			found = append(found, string(e.JSON))
		}
		return nil
	})
	if err != nil || len(found) != len(entries) {
		l.t.Fatalf("%s has %d weighings, %v", what, len(found), err)
	}
	for i := range found {
		if found[i] != entries[i] {
			l.t.Errorf("%s has %s, not %s", what, found[i], entries[i])
		}
		l.carries(what, found[i], all[i])
	}
}
