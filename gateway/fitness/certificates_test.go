package fitness_test

import (
	"errors"
	"testing"

	"weighpost/gateway/fitness"
	"weighpost/gateway/record"
)

// TestACertificateIsReadAndNeverGuessedAt: what could be read in two ways, or cannot be, is refused at its field, with a sentence.
func TestACertificateIsReadAndNeverGuessedAt(t *testing.T) {
	good := func() *record.ReferenceWeight {
		return &record.ReferenceWeight{ID: "f1-200", Nominal: "200 g", Class: "F1", Conventional: "200.00012 g", Uncertainty: "0.3 mg", CoverageFactor: "2", Density: "8000", DensityUncertainty: "30",
			Certificate: &record.Certificate{Number: "4711", Date: "2026-11-30", Due: "2027-11-29"}}
	}
	if err := fitness.CheckWeight(good(), "2026-11-30"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		field string
		spoil func(w *record.ReferenceWeight)
	}{
		{"nominal", func(w *record.ReferenceWeight) { w.Nominal = "200" }},
		{"nominal", func(w *record.ReferenceWeight) { w.Nominal = "200,0 g" }},
		{"nominal", func(w *record.ReferenceWeight) { w.Nominal = "1,000 g" }},
		{"class", func(w *record.ReferenceWeight) { w.Class = "F9" }},
		{"conventional", func(w *record.ReferenceWeight) { w.Conventional = "200,00012 g" }},
		{"conventional", func(w *record.ReferenceWeight) { w.Conventional = "20.00012 g" }},
		{"k", func(w *record.ReferenceWeight) { w.CoverageFactor = "" }},
		{"k", func(w *record.ReferenceWeight) { w.CoverageFactor = "2,0" }},
		{"k", func(w *record.ReferenceWeight) { w.CoverageFactor = "0.5" }},
		{"uncertainty", func(w *record.ReferenceWeight) { w.Uncertainty = "-0.3 mg" }},
		{"uncertainty", func(w *record.ReferenceWeight) { w.Uncertainty = "300 g" }},
		{"uncertainty", func(w *record.ReferenceWeight) { w.Uncertainty = "0.3" }},
		{"density_kg_m3", func(w *record.ReferenceWeight) { w.Density = "8.0" }},
		{"density_kg_m3", func(w *record.ReferenceWeight) { w.Density = "8,000" }},
		{"density_kg_m3", func(w *record.ReferenceWeight) { w.Density = "" }},
		{"density_uncertainty_kg_m3", func(w *record.ReferenceWeight) { w.DensityUncertainty = "9000" }},
		{"certificate.date", func(w *record.ReferenceWeight) { w.Certificate.Date = "2026-02-30" }},
		{"certificate.date", func(w *record.ReferenceWeight) { w.Certificate.Date = "30.11.2026" }},
		{"certificate.date", func(w *record.ReferenceWeight) { w.Certificate.Date = "2026-12-01" }},
		{"certificate.due", func(w *record.ReferenceWeight) { w.Certificate.Due = "2026-11-30" }},
		{"certificate.number", func(w *record.ReferenceWeight) { w.Certificate.Number = "47\n11" }},
	} {
		w := good()
		c.spoil(w)
		var refused *record.NotDone
		if err := fitness.CheckWeight(w, "2026-11-30"); !errors.As(err, &refused) || refused.Field != c.field {
			t.Errorf("%+v %+v: %v at %+v, want it at %s", w, w.Certificate, err, refused, c.field)
		}
	}
	// While nobody has checked the clock, a date is not refused for being later than it.
	w := good()
	w.Certificate.Date = "2026-12-01"
	if err := fitness.CheckWeight(w, ""); err != nil {
		t.Error(err)
	}
}
