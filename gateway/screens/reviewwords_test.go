package screens

import (
	"slices"
	"testing"

	"weighpost/gateway/review"
)

// TestFlagsAreThoseOfReviews: the room of reviews says which flags there are, and pages say them in their words, each with what it means.
func TestFlagsAreThoseOfReviews(t *testing.T) {
	if !slices.Equal(flagOrder, review.Flags()) {
		t.Errorf("pages offer %q, and there are %q", flagOrder, review.Flags())
	}
	for _, flag := range review.Flags() {
		if flagSays[flag] == "" {
			t.Errorf("nothing says what %q means", flag)
		}
	}
	if len(flagSays) != len(review.Flags()) {
		t.Errorf("%d flags are explained, and there are %d", len(flagSays), len(review.Flags()))
	}
}
