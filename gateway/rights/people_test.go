package rights

import (
	"strings"
	"testing"
	"time"
)

// TestThrottledSaysWhen: never 0 s, and never less than there is to wait (RFC 9110 section 10.2.3 counts whole seconds).
func TestThrottledSaysWhen(t *testing.T) {
	for after, want := range map[time.Duration]string{0: "in 1 s", 1: "in 1 s", 1500 * time.Millisecond: "in 2 s", time.Minute: "in 60 s"} {
		if got := (&Throttled{After: after}).Error(); !strings.HasSuffix(got, want) {
			t.Errorf("%s: %s", after, got)
		}
	}
}

// TestWrongSaysNothingOfTheCause: one sentence for every cause (OWASP, Authentication Cheat Sheet).
func TestWrongSaysNothingOfTheCause(t *testing.T) {
	for _, cause := range []string{"unknown", "no account", "disabled", "locked", "expired"} {
		if strings.Contains(ErrWrong.Error(), cause) {
			t.Errorf("it says %q", cause)
		}
	}
}
