package record

import (
	"crypto/sha256"
	"encoding/base32"
	"strings"
)

// RequestMark marks a request to which its sender gave a key of its own, so that the act can be found by it: k and the hash of
// who sent it and of the key, a hyphen, and b and the hash of what was asked. Both halves are words of their own for a search. Nothing can
// be read from it; who knows the key can recognise it.
func RequestMark(sender, key, what string) string {
	return "k" + mark(sender+"\x00"+key) + "-b" + mark(what)
}

// MarkKey is the half of a mark that stands for sender and key.
func MarkKey(mark string) string {
	key, _, _ := strings.Cut(mark, "-")
	return key
}

var markText = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

func mark(text string) string {
	sum := sha256.Sum256([]byte(text))
	return markText.EncodeToString(sum[:15]) // 120 bits
}
