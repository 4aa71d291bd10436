package intake

import (
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// movedBy is by how much of its last printed digit a weight has to change for somebody to be there: less is the balance itself.
const movedBy = 10

// presence is what the balance showed when somebody was last seen to do something with it.
type presence struct {
	form  form
	value int64
}

// seen has a weight that changes count as the presence of whoever is signed in, where policy says so: their idle time begins anew, so
// that it does not end in the middle of a long weighing.
func (in *Intake) seen(r *layout.Reading, at time.Time) {
	if in.balanceCounts == nil || !r.HasNumber || !in.balanceCounts() {
		return
	}
	f, v := form{r.Unit, r.Number.Scale(), r.Kind}, r.Number.Coefficient()
	first, moved := in.presence == presence{}, f != in.presence.form || v >= in.presence.value+movedBy || v <= in.presence.value-movedBy
	if !moved {
		return
	}
	in.presence = presence{f, v}
	if in.present != nil && !first {
		in.present()
	}
	if h := in.context.held(record.ItemPerson, at); !first && h != nil && at.After(h.used) {
		h.used = at
	}
}
