package record

import "time"

// Timestamped says that a time-stamping authority (RFC 3161) put its time on a checkpoint: the first Size entries were as they
// are before GenTime, by a clock that is not weighpost's.
type Timestamped struct {
	Head
	Size uint64 `json:"size"` // entries that the checkpoint covers
	// Checkpoint is the signed note exactly as its SHA-256 was sent: C2SP tlog-checkpoint.
	Checkpoint string `json:"checkpoint"`
	Token      []byte `json:"token"`    // TimeStampToken in DER (RFC 3161 section 2.4.2)
	GenTime    UTC    `json:"gen_time"` // the authority's time, cut to microseconds; the token has it exactly
	// Accuracy is how far GenTime may be off, by the authority's word; absent where it says nothing.
	Accuracy  *Span  `json:"accuracy_s,omitempty"`
	Authority string `json:"authority"` // name in the certificate that signed
	Policy    string `json:"policy"`    // OID in dotted form
	Serial    string `json:"serial"`    // of the token at this authority, decimal
	URL       string `json:"url"`       // where it was asked for
	By        Actor  `json:"by"`
	Stamp     Stamp  `json:"stamp"`
}

func (t *Timestamped) Kind() Kind      { return KindTimestamped }
func (t *Timestamped) Subject() string { return "" }
func (t *Timestamped) Time() time.Time { return t.Stamp.UTC.Time() }
