package record

import "time"

// Mass is a mass as a text: digits and a unit by its UCUM code, "200.00012 g". "" is a mass that is not known.
type Mass string

// ReferenceWeight is a weight that balances are held against, as its certificate and its marking say. What is not known is left out.
type ReferenceWeight struct {
	ID      string `json:"id"`               // the lab's own, as it stands on the label: "f1-3-200a"
	Set     string `json:"set,omitempty"`    // the set that it belongs to
	Serial  string `json:"serial,omitempty"` // of the weight or its set, as marked
	Nominal Mass   `json:"nominal"`
	Class   string `json:"class,omitempty"` // accuracy class: E1 to M3 (OIML R 111-1), or "ASTM 0" to "ASTM 4"
	// Conventional is the conventional mass of the certificate (OIML D 28), with its expanded uncertainty and the coverage factor k.
	Conventional   Mass   `json:"conventional,omitempty"`
	Uncertainty    Mass   `json:"uncertainty,omitempty"`
	CoverageFactor string `json:"k,omitempty"`
	// Density is that of the material in kg/m³, as a decimal, with its expanded uncertainty (k = 2).
	Density            string       `json:"density_kg_m3,omitempty"`
	DensityUncertainty string       `json:"density_uncertainty_kg_m3,omitempty"`
	Certificate        *Certificate `json:"certificate,omitempty"`
	// Withdrawn weights stay in the register and are used no more.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// Certificate says who found what out, when, and until when it is relied on.
type Certificate struct {
	Number string `json:"number,omitempty"`
	By     string `json:"by,omitempty"`   // the laboratory
	Date   string `json:"date,omitempty"` // YYYY-MM-DD
	Due    string `json:"due,omitempty"`  // YYYY-MM-DD: the last day on which it is relied on
	// File is the document itself, kept beside the journal under its hash.
	File *KeptFile `json:"file,omitempty"`
}

// KeptFile is a file that is kept beside the journal; its hash makes it part of what the journal proves.
type KeptFile struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // hex
	Bytes  int64  `json:"bytes"`
}

// MostKept is how many bytes a kept file may have: what is read of one is bounded by it.
const MostKept = 10 << 20

// What becomes of a reference weight.
const (
	WeightRegistered = "registered"
	WeightChanged    = "changed"   // another certificate, a mistake put right
	WeightWithdrawn  = "withdrawn" // dropped, lost, worn: not to be used again
)

// WeightEntry says that a reference weight is in the register from here on, that what is known of it changed, or that it is withdrawn.
type WeightEntry struct {
	Head
	Change string           `json:"change"` // registered, changed, withdrawn
	Weight ReferenceWeight  `json:"weight"`
	Before *ReferenceWeight `json:"before,omitempty"`
	Reason string           `json:"reason,omitempty"`
	By     Actor            `json:"by"`
	Stamp  Stamp            `json:"stamp"`
}

func (w *WeightEntry) Kind() Kind      { return KindWeightChanged }
func (w *WeightEntry) Subject() string { return "" }
func (w *WeightEntry) Time() time.Time { return w.Stamp.UTC.Time() }
