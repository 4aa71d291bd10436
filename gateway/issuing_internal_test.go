package gateway

import (
	"errors"
	"slices"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/deliver"
	"weighpost/gateway/record"
)

// TestAPrinterGetsNoReportForPrograms, unasked or asked, and every other destination does that names reports among its entries.
func TestAPrinterGetsNoReportForPrograms(t *testing.T) {
	of := func(kind, id string, entries ...string) config.Sink {
		return config.Sink{Kind: kind, Delivery: deliver.Config{ID: id, Entries: entries}}
	}
	all := []config.Sink{of("files", "share", "report-issued"), of("print", "office", "report-issued"), of("http", "lims", "weighing"), of("mail", "people", "report-issued", "weighing")}
	for form, want := range map[string][]string{"": {"share", "office", "people"}, record.ReportPDF: {"share", "office", "people"}, record.ReportJSON: {"share", "people"}, record.ReportLaboratory: {"share", "people"}} {
		if got, err := reportsTo(all, nil, form); err != nil || !slices.Equal(got, want) {
			t.Errorf("as %q: %q %v", form, got, err)
		}
		for _, id := range []string{"share", "office", "lims", "nowhere"} {
			got, err := reportsTo(all, []string{id}, form)
			var refused *record.RequestRefused
			if goes := slices.Contains(want, id); goes && (err != nil || !slices.Equal(got, []string{id})) || !goes && !errors.As(err, &refused) {
				t.Errorf("as %q to %s: %q %v", form, id, got, err)
			}
		}
	}
	if got, err := reportsTo(all, []string{}, ""); err != nil || len(got) != 0 {
		t.Errorf("to nobody: %q %v", got, err)
	}
}
