package access_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"weighpost/gateway/rights"
)

// TestTheManualSaysWhatRolesMay holds the table of the manual against what roles are.
func TestTheManualSaysWhatRolesMay(t *testing.T) {
	page, err := os.ReadFile("../help/pages/people.md")
	if err != nil {
		t.Fatal(err)
	}
	for name, set := range rights.Defaults() {
		var words []string
		for _, line := range strings.Split(string(page), "\n") {
			if rest, found := strings.CutPrefix(line, "| `"+name+"` | "); found {
				words = strings.Split(strings.TrimSuffix(rest, " |"), ", ")
			}
		}
		if got := rights.Of(asRights(words)...).List(); fmt.Sprint(got) != fmt.Sprint(set.List()) || len(got) != len(words) {
			t.Errorf("%s: the manual says %v, and it may %v", name, words, set.List())
		}
	}
}

// TestTheManualSaysWhatEachRightAllows: whoever makes a role of their own finds every right there.
func TestTheManualSaysWhatEachRightAllows(t *testing.T) {
	page, err := os.ReadFile("../help/pages/people.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rights.All() {
		if strings.Count(string(page), "\n| `"+string(r)+"` | ") != 1 {
			t.Errorf("the manual does not say what %q allows, or says it twice", r)
		}
	}
}

func asRights(words []string) (list []rights.Right) {
	for _, w := range words {
		list = append(list, rights.Right(w))
	}
	return list
}
