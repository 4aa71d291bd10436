package needs

import (
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"testing"
)

var given sync.Map // the ports that this process was given

// FreeAddress is a TCP address of loopback where nobody listened just now. It is none of those that systems give to whoever asks for any (from
// 32768 up on Linux, from 49152 elsewhere), so that none of the connections and servers of a test is given it meanwhile.
func FreeAddress(t testing.TB) string {
	t.Helper()
	for range 1000 {
		address := fmt.Sprintf("127.0.0.1:%d", 12_000+rand.IntN(20_000))
		if _, taken := given.LoadOrStore(address, true); taken {
			continue
		}
		if l, err := net.Listen("tcp", address); err == nil {
			_ = l.Close()
			return address
		}
	}
	t.Fatal("no TCP port of 12000 to 31999 is free at loopback")
	return ""
}
