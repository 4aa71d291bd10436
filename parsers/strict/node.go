package strict

// NodeUnmarshaler is a value that can be written in several shapes and reads its part of the file itself: a word in one
// file, a mapping in another. It returns every fault it finds; see [Node.Fault].
type NodeUnmarshaler interface {
	UnmarshalNode(Node) Faults
}

// Text gives the part where it is a single plain value.
func (n Node) Text() (string, bool) {
	if n.n == nil || n.n.kind != scalar {
		return "", false
	}
	return n.n.text, true
}

// Fault is a fault at the place of the part, for the list that UnmarshalNode returns.
func (n Node) Fault(what, allowed string) Faults {
	if n.n == nil {
		return nil
	}
	w := walker{doc: n.doc}
	w.fault(n.n.line, n.n.col, n.path, what, allowed)
	return w.faults
}

// IsMapping says whether the part is made of keys and values.
func (n Node) IsMapping() bool { return n.n != nil && n.n.kind == mapping }

// At gives the part at a key, or one that is empty.
func (n Node) At(key string) Node {
	if !n.IsMapping() {
		return Node{}
	}
	v := n.n.get(key)
	if v == nil {
		return Node{}
	}
	return Node{doc: n.doc, n: v, path: join(n.path, key)}
}
