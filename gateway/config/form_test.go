package config

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// wholes are configurations that say much.
func wholes(t *testing.T) map[string]*Config {
	t.Helper()
	all := map[string]*Config{}
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range append(files, configs+"/commented.yaml", configs+"/minimal.yaml") {
		src, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		c, faults := Load(file, src)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", file, faults)
		}
		all[file] = c
	}
	return all
}

// TestAConfigurationIsMadeAnewOfWhatTheJournalKeeps: nothing of it is lost on the way through the journal, and nothing through
// the form that the API shows.
func TestAConfigurationIsMadeAnewOfWhatTheJournalKeeps(t *testing.T) {
	for file, c := range wholes(t) {
		back, err := Restore(file, c.Keep(), c)
		if err != nil {
			t.Errorf("%s: %v", file, err)
			continue
		}
		if !bytes.Equal(back.Redacted(), c.Redacted()) || len(Differing(back, c)) > 0 {
			t.Errorf("%s: made anew it is\n%s\nand was\n%s", file, back.Redacted(), c.Redacted())
		}
		formed, faults := LoadForm(file, c.Form(false))
		if len(faults) > 0 || !bytes.Equal(formed.Redacted(), c.Redacted()) {
			t.Errorf("%s: %v: through its form it is other: %s", file, faults, flowOf(c.Form(false)))
		}
	}
}

func TestWhatIsNotKeptIsNotGuessed(t *testing.T) {
	c := good(t)
	for name, change := range map[string]func(*Kept){
		"another hash": func(k *Kept) { k.Hash = "sha256:00" },
		"a changed value": func(k *Kept) {
			k.Redacted = bytes.Replace(k.Redacted, []byte(`"site":"`), []byte(`"site":"x`), 1)
		},
		"no layouts": func(k *Kept) { k.Layouts = nil },
		"a layout that is another": func(k *Kept) {
			for hash, text := range k.Layouts {
				k.Layouts[hash] = text + "\n# and more\n"
			}
		},
	} {
		k := c.Keep()
		change(&k)
		if back, err := Restore("x.yaml", k, c); err == nil {
			t.Errorf("%s: it is taken: %s", name, back.Redacted())
		}
	}
}

// TestAnAddressWithAQueryComesFromTheFile: the journal does not hold what comes after the question mark.
func TestAnAddressWithAQueryComesFromTheFile(t *testing.T) {
	text := "site: x\njournal: {folder: j}\nsinks:\n- {id: web, kind: http, url: \"https://host.example/in?token=hunter2\"}\n"
	c, faults := Load("x.yaml", []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if strings.Contains(string(c.Keep().Redacted), "hunter2") || strings.Contains(flowOf(c.Form(true)), "hunter2") {
		t.Fatal("the query is shown")
	}
	back, err := Restore("x.yaml", c.Keep(), c)
	if err != nil || !strings.Contains(flowOf(back.Form(false)), "hunter2") {
		t.Errorf("%v", err)
	}
	if _, err := Restore("x.yaml", c.Keep(), nil); err == nil {
		t.Error("an address is made up")
	}
	if doc := c.Unredact(c.Form(true)); flowOf(doc) != flowOf(c.Form(false)) {
		t.Errorf("%s", flowOf(doc))
	}
}
