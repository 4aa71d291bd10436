package needs

import (
	"net"
	"testing"
)

// FreeAddress is a TCP address of loopback where nobody listened just now.
func FreeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}
