package smb

import (
	"encoding/binary"
	"errors"
	"net"
	"sync"

	"weighpost/sinks"
)

// guarded is the connection to a server. It looks at each packet before it leaves, so that nothing goes out unsigned or in the
// clear that should not: the library goes along with a server that makes the user a guest, and encrypts only what the server
// wants encrypted.
type guarded struct {
	net.Conn
	signed, encrypted bool

	once   sync.Once
	mu     sync.Mutex
	reason error // why a packet was held back
}

// Of the header of a packet (MS-SMB2 sections 2.2.1.2 and 2.2.41).
const (
	headerLength = 64
	commandAt    = 12
	flagsAt      = 16
	flagSigned   = 0x8

	negotiate      = 0
	sessionSetup   = 1
	logoff         = 2
	treeConnect    = 3
	treeDisconnect = 4
)

var (
	errNotSigned = errors.New("the server takes the user for a guest, and nothing would be signed: correct user and password, or have the server turn guests away")
	errInClear   = errors.New("the server does not ask for encryption, and everything could be read on the way: have the share encrypted there (smb encrypt = required, or EncryptData), or set encrypt: false")
)

// Write gets the length of a packet and the packet apart, each in one call.
func (g *guarded) Write(p []byte) (int, error) {
	if err := g.allowed(p); err != nil {
		g.mu.Lock()
		g.reason = err
		g.mu.Unlock()
		_ = g.Close() // half a packet is on its way
		return 0, err
	}
	return g.Conn.Write(p)
}

// allowed says why a packet may not leave, or nil.
func (g *guarded) allowed(p []byte) error {
	if len(p) < headerLength || string(p[:4]) != "\xfeSMB" {
		return nil // a length, or encrypted: the transform header is shorter than this and begins with 0xFD
	}
	command, flags := binary.LittleEndian.Uint16(p[commandAt:]), binary.LittleEndian.Uint32(p[flagsAt:])
	if command == negotiate || command == sessionSetup {
		return nil // before there is a key
	}
	if g.signed && flags&flagSigned == 0 {
		return errNotSigned
	}
	// What the share wants is known with the answer to treeConnect.
	if g.encrypted && command != treeConnect && command != treeDisconnect && command != logoff {
		return errInClear
	}
	return nil
}

// refusal says why a packet was held back, as what needs a person, or nil.
func (g *guarded) refusal() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.reason == nil {
		return nil
	}
	return sinks.Unusable{Err: g.reason}
}

// Close ends the connection; only the first call does anything.
func (g *guarded) Close() (err error) {
	g.once.Do(func() { err = g.Conn.Close() })
	return err
}
