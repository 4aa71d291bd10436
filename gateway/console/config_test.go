package console

import (
	"strings"
	"testing"

	"weighpost/parsers/strict"
)

func TestOnlyLoopbackIsListenedOn(t *testing.T) {
	for listen, want := range map[string]string{
		"": "", "127.0.0.1:8467": "", "[::1]:9000": "", "localhost:0": "", "127.9.9.9:80": "",
		"0.0.0.0:8467": "would open the page to the network", "[::]:8467": "would open the page to the network",
		":8467": "would open the page to the network", "192.0.2.7:8467": "would open the page to the network",
		"seed.example:8467": "is no address of this computer", "127.0.0.1": "is no address with a port",
		"127.0.0.1:http": "is no port number", "127.0.0.1:70000": "is no port number", "127.0.0.1:080": "is no port number",
	} {
		r := strict.NewReport("c.yaml")
		(&Config{Listen: listen}).Check(r)
		got := ""
		if f := r.Faults(); f != nil {
			got = f.Error()
		}
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%q: %q, want %q", listen, got, want)
		}
	}
}
