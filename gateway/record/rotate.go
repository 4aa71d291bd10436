package record

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// KeyOrder asks for another key that signs checkpoints.
type KeyOrder struct {
	Reason string
	By     Actor
}

// maxKeyReason bounds the reason of a change of the key, in characters.
const maxKeyReason = 500

// Check says why the key cannot be changed like that, or nil.
func (o KeyOrder) Check() error {
	switch n := utf8.RuneCountInString(o.Reason); {
	case strings.TrimSpace(o.Reason) == "":
		return errors.New("a change of the key needs a reason: say why it is changed")
	case n > maxKeyReason || !utf8.ValidString(o.Reason):
		return fmt.Errorf("the reason has %d characters: at most %d of UTF-8 are allowed", n, maxKeyReason)
	}
	return nil
}

// ParseKeyOrder reads a request: {"reason": "…", "by": "…"}, where by may be left out, and nothing else.
func ParseKeyOrder(b []byte) (KeyOrder, error) {
	var o KeyOrder
	s := scanner{b: b}
	err := s.whole("the request", func(name string) (err error) {
		switch name {
		case "reason":
			o.Reason, err = s.string(name)
		case "by":
			o.By.ID, err = s.string(name)
		default:
			err = s.wrong(fmt.Sprintf("%q is unknown: a request has reason and by", name))
		}
		return err
	})
	if err == nil {
		err = o.Check()
	}
	if err == nil && o.By.ID != "" {
		if why := CheckActorName(o.By.ID); why != nil {
			err = fmt.Errorf("by %w", why)
		}
	}
	return o, err
}

// KeyAnswer is what became of a KeyOrder.
type KeyAnswer struct {
	Seq uint64 `json:"seq"` // the entry that says so
	Old string `json:"old_key"`
	New string `json:"new_key"` // texts of the public keys: NAME+HASH+BASE64
}
