package record

// Live is one reading of the continuous stream, for screens and the lossy live topic. It is never a record.
type Live struct {
	Balance string   `json:"balance"`
	UTC     UTC      `json:"utc"`
	Value   *Value   `json:"value,omitempty"` // nil for an unread frame
	Printed *Printed `json:"printed,omitempty"`
	Unread  string   `json:"unread,omitempty"` // why, for a frame that was refused
	// Recorded is the id of the weighing that this reading became. It is sent as a second event, once the entry is durable.
	Recorded string `json:"recorded,omitempty"`
	// Person and Sample are those of that weighing; without Recorded, those that the next weighing would carry. Absent: none
	// is known.
	Person string `json:"person,omitempty"`
	Sample string `json:"sample,omitempty"`
	// Frame is what the balance sent, as received, its first 256 bytes, for whoever looks at one balance; nil while nobody looks at
	// any, and beside Recorded.
	Frame []byte `json:"-"`
	// Answer is what became of a print, for whoever stands at the balance; nil unless this tells of one and of nothing else. No
	// topic and no program is sent it: what it says comes to them as entries.
	Answer *Answer `json:"-"`
}
