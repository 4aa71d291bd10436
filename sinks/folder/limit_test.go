package folder

import (
	"strings"
	"testing"
)

// TestAPanicInOneOfManyCalls ends neither the program nor the other calls.
func TestAPanicInOneOfManyCalls(t *testing.T) {
	names := strings.Split(strings.Repeat("x", 20), "")
	names[7] = "bad"
	n, err := Parallel(names, func(name string) error {
		if name == "bad" {
			panic("an answer that nobody expected")
		}
		return nil
	})
	if n != 7 || err == nil || !strings.Contains(err.Error(), "bad: the work failed inside") {
		t.Errorf("%d went well: %v", n, err)
	}
}
