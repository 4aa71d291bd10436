package rights

import "weighpost/gateway/record"

// Signing is what somebody gives to sign with, beside the session that they ask by, and what they would sign.
type Signing struct {
	// Login is their own id or login name, as it was typed: needed at the first signature of a continuous period (AsksToSign).
	Login   string
	Secret  string // never kept, never logged
	Address string // the network address that it came from, without the port, for throttling and entries

	Run     record.RunRef   // what is signed, for the entry where it comes to nothing
	Balance *record.Balance // likewise
	Meaning string          // of record.Signature
}

// Signed is how somebody has shown who they are, to sign.
type Signed struct {
	Who       Who    // as of now: a directory may just have said that their roles are others
	Login     string // that they showed
	How       string // of record.Signature: id and secret, secret, openid
	Directory bool   // a directory answered for them, at this moment
}

// AsksToSign says what somebody has to show to sign now (21 CFR 11.200(a)(1)).
type AsksToSign struct {
	Both     bool   `json:"both" doc:"id and secret are asked for; false: this session signed lately, and the secret will do"`
	Provider string `json:"provider,omitempty" doc:"name of the provider at whose pages they show it anew, instead of a secret"`
	Not      string `json:"not,omitempty" doc:"why they cannot sign, in a sentence"`
}
