package uart

import (
	"bytes"
	"testing"
)

func values(chars []Char) (out []byte) {
	for _, c := range chars {
		out = append(out, c.Value)
	}
	return out
}

// TestTheSameSettingsHearWhatWasSaid, each byte undamaged, whatever the settings.
func TestTheSameSettingsHearWhatWasSaid(t *testing.T) {
	for _, speed := range []int{300, 9600, 115200} {
		for bits := 7; bits <= 8; bits++ {
			for _, parity := range []string{"none", "odd", "even", "mark", "space"} {
				for stop := 1; stop <= 2; stop++ {
					s := Settings{speed, bits, parity, stop}
					var said []byte
					for c := range 1 << bits {
						said = append(said, byte(c))
					}
					for _, resync := range []bool{false, true} {
						heard := s.Receive(s.Send(said, 3), resync)
						if !bytes.Equal(values(heard), said) {
							t.Fatalf("%+v: heard %x", s, values(heard))
						}
						for _, c := range heard {
							if c.Damaged || c.Break {
								t.Fatalf("%+v: %+v", s, c)
							}
						}
					}
				}
			}
		}
	}
}

// TestKnownMishearings, worked out with pencil and paper: start bit, data from the lowest bit on, stop bit.
func TestKnownMishearings(t *testing.T) {
	eight := Settings{9600, 8, "none", 1}
	for _, c := range []struct {
		name string
		from Settings
		as   Settings
		said string
		want []Char
	}{
		// 7E1 and 8N1 have ten bits each: the parity bit is read as the eighth. "1" is 0x31, three ones.
		{"7E1 as 8N1", Settings{9600, 7, "even", 1}, eight, "12", []Char{{Value: 0xB1}, {Value: 0xB2}}},
		{"7O1 as 8N1", Settings{9600, 7, "odd", 1}, eight, "13", []Char{{Value: 0x31}, {Value: 0xB3}}},
		// Half the speed: each bit is two. 'U' 0x55 sends 0 1 0 1 0 1 0 1 0 1 after the start bit's 0.
		{"4800 as 9600", Settings{4800, 8, "none", 1}, eight, "U", []Char{{Value: 0b01100110, Damaged: true}, {Value: 0b11100110}}},
		{"a NUL far too slow", Settings{300, 8, "none", 1}, eight, "\x00", []Char{{Break: true}}},
		{"8N1 as 8E1, an even number of ones", eight, Settings{9600, 8, "even", 1}, "3", []Char{{Value: 0x33, Damaged: true}}},
	} {
		got := c.as.Receive(c.from.Send([]byte(c.said), 2), false)
		if len(got) != len(c.want) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
			continue
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("%s: character %d is %+v, want %+v", c.name, i, got[i], c.want[i])
			}
		}
	}
}
