package intake

import (
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
)

const whole = `
id: b-12
serial: s-77
place: seed room
capacity: 220 g
readability: 0.0001 g
verification_interval: 1 mg
prints_as: ROOM 4
layout: seed.yaml
port:
  address: /dev/ttyUSB0
`

func load(t *testing.T, src string) (Config, string) {
	t.Helper()
	var c Config
	doc, faults := strict.Load("c.yaml", []byte(src), &c)
	r := doc.Report()
	c.Check(r)
	return c, append(faults, r.Faults()...).Error()
}

func TestConfig(t *testing.T) {
	c, faults := load(t, whole)
	if faults != "" {
		t.Fatal(faults)
	}
	if c.Readability.String() != "0.0001 g" || c.VerificationInterval.Unit.Code != "mg" || c.Record.String() != "printed" || c.Port.Address != "/dev/ttyUSB0" {
		t.Errorf("%+v", c)
	}
	for src, want := range map[string]Rule{
		"record: printed":                    {Kind: Printed},
		"record: all":                        {Kind: All},
		"record: settled":                    {Kind: Settling, Settled: DefaultSettled},
		"record:\n  every: 5s":               {Kind: Periodic, Every: strict.Duration(5 * time.Second)},
		"record:\n  settled:\n    frames: 5": {Kind: Settling, Settled: Settled{Frames: 5, StableFrames: 2, WithinD: 1, For: strict.Duration(500 * time.Millisecond), ZeroD: 5, ApartD: 10}},
	} {
		c, faults := load(t, whole+src+"\n")
		if faults != "" || c.Record != want {
			t.Errorf("%s: %+v %s", src, c.Record, faults)
		}
	}
}

func TestConfigFaults(t *testing.T) {
	for _, c := range []struct{ from, to, want string }{
		{"id: b-12", "id: B 12", `c.yaml:2:5: id: holds 'B'`},
		{"readability: 0.0001 g", "readability: 0.0001", `readability: "0.0001" is no mass`},
		{"readability: 0.0001 g", "readability: 0.0001 oz", `has the unit "oz", which is no unit of mass known here`},
		{"readability: 0.0001 g", "readability: 5 pieces", `has the unit "pieces", which is no unit of mass`},
		{"readability: 0.0001 g", "readability: -0.0001 g", `is not above zero`},
		{"readability: 0.0001 g", "readability: 0 g", `is not above zero`},
		{"capacity: 220 g", "capacity: 0.1 mg", `capacity: 0.1 mg is not above the readability 0.0001 g`},
		{"verification_interval: 1 mg", "verification_interval: 0.01 mg", `verification_interval: 0.01 mg is below the readability 0.0001 g`},
		{"layout: seed.yaml\n", "", "layout: is missing"},
		{"place: seed room", `place: "a\nb"`, "place: holds a character that cannot be printed"},
		{"address: /dev/ttyUSB0", "address: \"\"", "port"},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord: sometimes", `record: "sometimes" is no rule for what is recorded`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord: every", `record: every needs a period`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  every: 1ms", `record.every: 1ms is no usable period`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  every: 5s\n  settled:\n    frames: 3", `record: names not exactly one rule`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord: {}", `record: names not exactly one rule`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord: [printed]", `record: is a list`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  settled:\n    frames: 1", `record.settled.frames: 1 is out of range; allowed: 2 to 100`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  settled:\n    for: 2h", `record.settled.for: 2h is out of range`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  settled:\n    within_d: 10", `record.settled.apart_d: 10 lies within the band`},
		{"layout: seed.yaml", "layout: seed.yaml\nrecord:\n  settled:\n    fram: 1", `did you mean "frames"?`},
		{"readability: 0.0001 g\n", "record: settled\n", `record: the rule settled counts in multiples of the balance's readability, and no readability is given`},
	} {
		src := strings.Replace(whole, c.from, c.to, 1)
		if src == whole {
			t.Fatalf("%q is not in the file", c.from)
		}
		if _, faults := load(t, src); !strings.Contains(faults, c.want) || strings.Count(faults, "\n") > 0 {
			t.Errorf("%s:\n got %s\nwant %s", c.to, faults, c.want)
		}
	}
}
