//go:build linux

package machine

import (
	"encoding/binary"
	"encoding/hex"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestAKeyboardThatTypes has the machine play a keyboard to itself (the kernel's dummy_hcd and usb_f_hid, set up by the script that we
// ship), and reads from the kernel's own input device which keys were pressed: key codes of linux/input-event-codes.h.
func TestAKeyboardThatTypes(t *testing.T) {
	c := boot(t, "", nil, map[string]string{
		"/bin/typist":             build(t, "weighpost/sinks/keystrokes/testdata/typist"),
		"/bin/weighpost-keyboard": filepath.Join("..", "..", "..", "systemd", "weighpost-keyboard.sh"),
	})
	for _, module := range c.keyboard {
		said, _ := c.try(t, "insmod "+module) // what was loaded before says so
		t.Log(module, said)
	}
	if lines, status := c.try(t, "typist /dev/hidg0 us 1"); status == 0 || !strings.Contains(strings.Join(lines, " "), "not there") {
		t.Errorf("before there is a keyboard: %d %v", status, lines)
	}
	c.do(t, "sh /bin/weighpost-keyboard dialout")
	c.wait(t, "grep -l weighpost /sys/class/input/event*/device/name", 30*time.Second)
	t.Log(c.do(t, "ls -l /dev/hidg0 /dev/input; cat /sys/class/input/event*/device/name"))
	c.do(t, "keys=$(grep -l weighpost /sys/class/input/event*/device/name | head -n 1 | cut -d/ -f5); (timeout 20 cat /dev/input/$keys >/tmp/keys & echo $! >/tmp/reader); sleep 1")
	c.do(t, "typist /dev/hidg0 de 12.3450 -0.07")
	c.do(t, "sleep 1; kill $(cat /tmp/reader) 2>/dev/null; true")
	want := []uint16{2, 3, 52, 4, 5, 6, 11, 28, 53, 11, 52, 11, 8, 28} // 1 2 . 3 4 5 0 Enter - (on a German keyboard where / is) 0 . 0 7 Enter
	got := pressed(t, strings.Join(c.do(t, "xxd -p /tmp/keys"), ""))
	if len(got) != len(want) {
		t.Fatalf("pressed were %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("key %d was %d, want %d", i, got[i], want[i])
		}
	}
}

// pressed reads struct input_event of a 64-bit kernel (linux/input.h): 16 bytes of time, type, code, value.
func pressed(t *testing.T, text string) (codes []uint16) {
	t.Helper()
	b, err := hex.DecodeString(text)
	must(t, err)
	for ; len(b) >= 24; b = b[24:] {
		kind, code, value := binary.LittleEndian.Uint16(b[16:]), binary.LittleEndian.Uint16(b[18:]), binary.LittleEndian.Uint32(b[20:])
		if kind == 1 && value == 1 {
			codes = append(codes, code)
		}
	}
	return codes
}
