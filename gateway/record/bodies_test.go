package record_test

import (
	"testing"

	"weighpost/gateway/record"
)

func TestEveryKindHasItsBody(t *testing.T) {
	for _, k := range record.Kinds() {
		if b := record.NewBody(k); b == nil || b.Kind() != k {
			t.Errorf("the body of %s is %T", k, b)
		}
	}
	if b := record.NewBody("from-the-future"); b != nil {
		t.Errorf("a kind that there is not has a body: %T", b)
	}
}
