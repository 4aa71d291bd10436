// Command ntp is a small time server (RFC 5905, mode 4) for the emulated machine. Its time began where it was told and runs
// on the raw monotonic clock, so that whoever sets the machine's clock does not set this one.
//
//	ntp NANOSECONDS-SINCE-1970 PORT...
package main

import (
	"encoding/binary"
	"log"
	"net"
	"os"
	"strconv"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

func raw() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC_RAW, &ts); err != nil {
		log.Fatal(err)
	}
	return time.Duration(ts.Nano())
}

func main() {
	began := raw()
	start, err := strconv.ParseInt(os.Args[1], 10, 64)
	if err != nil {
		log.Fatal(err)
	}
	now := func() time.Time { return time.Unix(0, start).Add(raw() - began) }
	var all sync.WaitGroup
	for _, port := range os.Args[2:] {
		conn, err := net.ListenPacket("udp", "127.0.0.1:"+port)
		if err != nil {
			log.Fatal(err)
		}
		all.Go(func() { serve(conn, now) })
	}
	all.Wait()
}

// stamp is a time as RFC 5905 section 6 writes it: seconds since 1900 and a fraction.
func stamp(t time.Time) uint64 {
	const since1900 = 2_208_988_800
	return uint64(t.Unix()+since1900)<<32 | uint64(t.Nanosecond())<<32/1_000_000_000
}

func serve(conn net.PacketConn, now func() time.Time) {
	in := make([]byte, 512)
	for {
		n, from, err := conn.ReadFrom(in)
		if err != nil {
			log.Fatal(err)
		}
		if n < 48 {
			continue
		}
		at := now()
		out := make([]byte, 48)
		out[0] = in[0]&0x38 | 4 // no leap second, the version that was asked, a server
		out[1] = 1              // stratum
		out[2], out[3] = in[2], 0xec
		copy(out[12:], "GPS\x00")
		binary.BigEndian.PutUint64(out[16:], stamp(at.Add(-time.Second)))
		copy(out[24:32], in[40:48])
		binary.BigEndian.PutUint64(out[32:], stamp(at))
		binary.BigEndian.PutUint64(out[40:], stamp(now()))
		if _, err := conn.WriteTo(out, from); err != nil {
			log.Print(err)
		}
	}
}
