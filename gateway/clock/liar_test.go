package clock

import (
	"encoding/binary"
	"net"
	"sync/atomic"
	"testing"
	"time"
)

// ntpServer is a time server on loopback that says what a test has it say.
type ntpServer struct {
	address string
	asked   atomic.Int64
}

// packet is one answer as it goes over the wire, 48 bytes (RFC 5905 section 7.3).
type packet []byte

func (p packet) leap(li byte) packet        { p[0] = p[0]&0x3f | li<<6; return p }
func (p packet) stratum(n byte) packet      { p[1] = n; return p }
func (p packet) dispersion(s uint16) packet { binary.BigEndian.PutUint16(p[8:], s); return p }
func (p packet) kiss(code string) packet    { copy(p[12:16], code); return p.leap(3).stratum(0) }

// later moves the timestamp at a place by seconds.
func (p packet) later(at int, seconds int32) packet {
	binary.BigEndian.PutUint32(p[at:], binary.BigEndian.Uint32(p[at:])+uint32(seconds))
	return p
}

// time64 writes an instant as a 64-bit timestamp (RFC 5905 section 6).
func time64(t time.Time) uint64 {
	const from1900 = 2208988800
	return uint64(t.Unix()+from1900)<<32 | uint64(t.Nanosecond())<<32/1e9
}

// serve starts a server. It answers the truth moved by ahead, as change has it; a change to nil is silence.
func serve(t *testing.T, ahead time.Duration, change func(packet) packet) *ntpServer {
	t.Helper()
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { _ = conn.Close(); <-done })
	s := &ntpServer{address: conn.LocalAddr().String()}
	go func() {
		defer close(done)
		buf := make([]byte, 512)
		for {
			n, from, err := conn.ReadFrom(buf)
			if err != nil {
				return
			}
			if n < 48 {
				continue
			}
			s.asked.Add(1)
			now := time64(time.Now().Add(ahead))
			p := make(packet, 48)
			p[0], p[1], p[3] = 4<<3|4, 2, 0xec            // version 4, server, stratum 2, precision 2^-20
			binary.BigEndian.PutUint64(p[16:], now-5<<32) // last set 5 s ago
			copy(p[24:32], buf[40:48])                    // our transmit time comes back as the origin
			binary.BigEndian.PutUint64(p[32:], now)       // receive
			binary.BigEndian.PutUint64(p[40:], now)       // transmit
			if p = change(p); p != nil {
				_, _ = conn.WriteTo(p, from)
			}
		}
	}()
	return s
}

func honest(p packet) packet { return p }
