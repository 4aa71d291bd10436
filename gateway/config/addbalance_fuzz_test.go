package config

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"
)

// FuzzAddBalance adds a balance to any text. What comes out loads, has the balance, and says what the text said otherwise: the
// judge is yaml.v3, another library than the one that finds the place.
func FuzzAddBalance(f *testing.F) {
	for _, name := range []string{"minimal.yaml", "commented.yaml"} {
		src, err := os.ReadFile(filepath.Join("../../configs", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	for _, text := range []string{head, head + "balances:\n" + first, head + "balances: [] # none\n", "{site: north-lab, journal: {folder: j}}", "\ufeff" + head + "balances:\r\n",
		head + "balances: [\n  {id: b-1, port: {address: /dev/ttyS1}, layout: layouts/seeds.yaml}, # one\n]\n---\n...", head + "balances:\n" + first + "  place: |-\n    a\n    # b\n  \n\t\n# x",
		"'site': north-lab\n\"journal\": {folder: 'j'}\n\"balances\" : []\n"} {
		f.Add([]byte(text))
	}
	dir := folder(f)
	b := newBalance(f)
	f.Fuzz(func(t *testing.T, src []byte) {
		out, err := AddBalance(filepath.Join(dir, "weighpost.yaml"), src, b)
		if err != nil {
			if out != nil {
				t.Errorf("something came out beside %v", err)
			}
			return
		}
		if c, faults := Load(filepath.Join(dir, "weighpost.yaml"), out); len(faults) > 0 || c.Balances[len(c.Balances)-1].ID != b.ID {
			t.Fatalf("%v\n%s", faults, out)
		}
		var was, is map[string]any
		if yaml.Unmarshal(src, &was) != nil || yaml.Unmarshal(out, &is) != nil {
			t.Fatalf("yaml.v3 cannot read\n%s", out)
		}
		list, _ := is["balances"].([]any)
		old, _ := was["balances"].([]any)
		delete(is, "balances")
		delete(was, "balances")
		if !reflect.DeepEqual(is, was) || len(list) != len(old)+1 || len(old) > 0 && !reflect.DeepEqual(list[:len(old)], old) {
			t.Errorf("something else changed:\n%s", out)
		}
		if before, after := strings.Count(string(src), "#"), strings.Count(string(out), "#"); before != after {
			t.Errorf("%d signs of a comment became %d:\n%s", before, after, out)
		}
	})
}
