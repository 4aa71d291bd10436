package journal

import "weighpost/gateway/record"

// follow takes an entry whose identity is right, and goes on by what it says of the journal itself: one case a concern.
func (v *verifier) follow(e record.Entry) {
	v.clock(e)
	switch e.Kind {
	case record.KindSealed:
		v.sealedSays(e)
	case record.KindRestored:
		v.restored(e)
	case record.KindTimestamped:
		v.timestamped(e)
	case record.KindKeyRotated:
		v.rotated(e)
	}
}
