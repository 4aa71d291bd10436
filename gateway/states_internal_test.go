package gateway

import (
	"testing"
	"time"

	"weighpost/gateway/record"
)

// TestWhetherABalanceMayBeUsedIsShownAsItsRecordsSayIt: the state itself, and when the next check is due where one is scheduled.
func TestWhetherABalanceMayBeUsedIsShownAsItsRecordsSayIt(t *testing.T) {
	at := time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)
	if service, next := serviceOf(record.Fitness{State: record.CheckDue, Due: at.Format(time.RFC3339)}); service != record.CheckDue || next == nil || !next.Time().Equal(at) {
		t.Errorf("%s, %v", service, next)
	}
	if service, next := serviceOf(record.Fitness{State: record.FitnessUnknown}); service != "unknown" || next != nil {
		t.Errorf("%s, %v", service, next)
	}
}
