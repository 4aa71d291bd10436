package secret

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// hashed is what the PHC string of an argon2id hash says.
type hashed struct {
	work Work
	salt []byte
	tag  []byte
}

const (
	saltLength = 16 // bytes: RFC 9106 section 4 recommends 128 bits
	tagLength  = 32 // bytes: RFC 9106 section 4 recommends 256 bits

	// What a stored hash may ask for at most: a damaged or foreign file may neither take all memory nor all time.
	longestPHC  = 512
	mostPasses  = 64
	mostMemoryK = 256 << 10
	mostLanes   = 16
)

var errNoHash = errors.New("it is no argon2id hash as they are kept here: $argon2id$v=19$m=KiB,t=passes,p=lanes$salt$tag")

// String writes a hash in the PHC string format, as the reference implementation of argon2 does.
func (h hashed) String() string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.work.MemoryK, h.work.Passes, h.work.Lanes,
		b64.EncodeToString(h.salt), b64.EncodeToString(h.tag))
}

// parsePHC is the inverse of String. It takes nothing that String would write otherwise.
func parsePHC(s string) (hashed, error) {
	if len(s) > longestPHC {
		return hashed{}, errNoHash
	}
	parts := strings.Split(s, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return hashed{}, errNoHash
	}
	var h hashed
	var err error
	if h.work, err = parseWork(parts[3]); err != nil {
		return hashed{}, err
	}
	b64 := base64.RawStdEncoding.Strict()
	if h.salt, err = b64.DecodeString(parts[4]); err != nil || len(h.salt) < 8 || len(h.salt) > 64 {
		return hashed{}, errNoHash
	}
	if h.tag, err = b64.DecodeString(parts[5]); err != nil || len(h.tag) < 16 || len(h.tag) > 64 {
		return hashed{}, errNoHash
	}
	if h.String() != s { // a line break inside base64, a sign or a zero before a number
		return hashed{}, errNoHash
	}
	return h, nil
}

func parseWork(s string) (Work, error) {
	parts := strings.Split(s, ",")
	if len(parts) != 3 {
		return Work{}, errNoHash
	}
	var n [3]uint64
	for i, p := range []struct {
		name string
		most uint64
	}{{"m=", mostMemoryK}, {"t=", mostPasses}, {"p=", mostLanes}} {
		digits, ok := strings.CutPrefix(parts[i], p.name)
		v, err := strconv.ParseUint(digits, 10, 32)
		if !ok || err != nil || v < 1 || v > p.most {
			return Work{}, errNoHash
		}
		n[i] = v
	}
	if n[0] < 8*n[2] { // RFC 9106 section 3.1: at least 8 KiB for each lane
		return Work{}, errNoHash
	}
	return Work{MemoryK: uint32(n[0]), Passes: uint32(n[1]), Lanes: uint8(n[2])}, nil
}

// weaker says whether a hash was made with less than is asked for now.
func (h hashed) weaker(now Work) bool {
	return h.work.Passes < now.Passes || h.work.MemoryK < now.MemoryK || h.work.Lanes != now.Lanes ||
		len(h.salt) < saltLength || len(h.tag) < tagLength
}

// tagOf computes what the tag of a secret would be.
func (h hashed) tagOf(secret string) []byte {
	return argon2.IDKey([]byte(secret), h.salt, h.work.Passes, h.work.MemoryK, h.work.Lanes, uint32(len(h.tag)))
}
