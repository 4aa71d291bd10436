package secret

import (
	"errors"
	"strings"
	"testing"
)

func TestKeys(t *testing.T) {
	shown, hash, err := NewKey("lims-1")
	if err != nil || !strings.HasPrefix(shown, "wp_lims-1_") {
		t.Fatalf("%q, %v", shown, err)
	}
	id, again, err := ParseKey(shown)
	if id != "lims-1" || !SameHash(hash, again) || err != nil || strings.Contains(hash, shown[10:]) {
		t.Errorf("%q, %v", id, err)
	}
	other, otherHash, _ := NewKey("lims-1")
	if other == shown || SameHash(hash, otherHash) || SameHash("", "") || SameHash("", hash) {
		t.Error("two keys are the same")
	}
	// At least 256 bits: NIST 3.1.1.2 asks for a slow hash only of what people choose; 3.1.2.2 is content with a fast one from 112 bits on.
	if keyBytes*8 < 256 || len(shown) != len("wp_lims-1_")+keySize+sumSize {
		t.Errorf("%d characters", len(shown))
	}
}

// TestATypoIsToldFromAWrongKey: every change of one character, every cut, and every two that change places.
func TestATypoIsToldFromAWrongKey(t *testing.T) {
	shown, _, _ := NewKey("a")
	for i := range shown {
		for _, c := range []byte("a7z-_A ") {
			if shown[i] == c {
				continue
			}
			if _, _, err := ParseKey(shown[:i] + string(c) + shown[i+1:]); err == nil {
				t.Errorf("character %d changed to %q: taken", i, c)
			}
		}
		if _, _, err := ParseKey(shown[:i]); !errors.Is(err, ErrMistyped) && !errors.Is(err, ErrNotAKey) {
			t.Errorf("cut at %d: %v", i, err)
		}
		if i > 0 && shown[i] != shown[i-1] {
			if _, _, err := ParseKey(shown[:i-1] + shown[i:i+1] + shown[i-1:i] + shown[i+1:]); err == nil {
				t.Errorf("characters %d and %d changed places: taken", i-1, i)
			}
		}
	}
	for _, bad := range []string{"", "wp_", "wp__x", "wp_A_x", "xx_a_b", strings.Repeat("wp_", 1000)} {
		if _, _, err := ParseKey(bad); !errors.Is(err, ErrNotAKey) {
			t.Errorf("%.20q: %v", bad, err)
		}
	}
	for _, bad := range []string{"", "A", "-a", "a_b", strings.Repeat("a", 64)} {
		if _, _, err := NewKey(bad); err == nil {
			t.Errorf("a key has the id %q", bad)
		}
	}
}
