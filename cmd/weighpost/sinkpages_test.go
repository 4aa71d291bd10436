package main

import (
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/help"
	sinkkinds "weighpost/sinks/all"
)

// TestEveryKindOfDestinationHasAPage: the manual has a page for each kind, the block that it begins with is valid as it stands, and
// the page that helps to choose names it.
func TestEveryKindOfDestinationHasAPage(t *testing.T) {
	choose, err := help.Page("destinations")
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range sinkkinds.Kinds {
		page, err := help.Page("sink-" + kind.Name)
		if err != nil {
			t.Errorf("%s: %v", kind.Name, err)
			continue
		}
		block := firstBlock(page.Text)
		if !strings.HasPrefix(block, "sinks:\n") || !strings.Contains(block, "kind: "+kind.Name+"\n") {
			t.Errorf("the page %s does not begin with a block for the configuration:\n%s", page.Name, block)
			continue
		}
		for _, fault := range invalid(block) {
			t.Errorf("the block of %s: %s", page.Name, fault)
		}
		if !strings.Contains(choose.Text, "`"+kind.Name+"`") || !strings.Contains(choose.Text, "`"+page.Name+"`") {
			t.Errorf("the page destinations does not say when to choose %s, or not that %s tells more", kind.Name, page.Name)
		}
	}
}

// TestAWrongBlockWouldBeFound: what the test above goes by tells a key that there is not.
func TestAWrongBlockWouldBeFound(t *testing.T) {
	if len(invalid("sinks:\n- id: share\n  kind: files\n  foldr: /srv/weighings\n")) == 0 {
		t.Error("a block with a key that there is not counts as valid")
	}
}

// firstBlock is the first indented block of a page, without its indentation.
func firstBlock(text string) string {
	var b strings.Builder
	for line := range strings.SplitSeq(text, "\n") {
		rest, in := strings.CutPrefix(line, "    ")
		if !in && b.Len() > 0 {
			break
		}
		if in {
			b.WriteString(rest + "\n")
		}
	}
	return b.String()
}

// invalid are the faults of a configuration that has nothing but a block of sinks.
func invalid(block string) (list []string) {
	_, faults := config.Load("weighpost.yaml", []byte("site: seed-bank\njournal: {folder: j}\n"+block))
	for _, fault := range faults {
		list = append(list, fmt.Sprint(fault))
	}
	return list
}
