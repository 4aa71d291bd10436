// Package timestamp knows the bytes of the Time-Stamp Protocol (RFC 3161, with RFC 5816): it writes requests, reads responses
// and holds tokens against what they are said to be over. An authority of its own puts the SHA-256 of some bytes and its time
// into a token and signs it: who trusts the authority then knows that the bytes were there by that time, whoever they trust
// otherwise.
//
//	request, nonce, err := timestamp.NewRequest(note, nil)
//	… send it, as package authority does …
//	token, err := timestamp.ParseResponse(answer)
//	err = token.Answers(note, nonce, nil)   // it is over these bytes, and it is the answer to this question
//	err = token.Verify(roots)               // and one of these authorities vouches for it
//
// It knows no network, no disk and no clock. What it reads is hostile: sizes are bounded, and DER is the only encoding taken.
package timestamp
