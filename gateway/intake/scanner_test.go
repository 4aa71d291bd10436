package intake

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// withScanner is a balance with a scanner by the rules of the seed bank's labels.
func withScanner(c *Config) {
	c.Scanner = &ScannerConfig{Port: port.Config{Address: "/dev/ttyS8"}, Rules: []ScanRule{
		{Prefix: "P-", Item: "person", Strip: true, For: strict.Duration(time.Hour)},
		{Prefix: "LOT-", Item: "sample"},
		{Prefix: "LOT-BOX-", Item: "box", Strip: true, Uses: 2},
		{Prefix: "END", SignOut: true},
	}}
}

// scans opens the scanner's port and waits until its first scan cannot be the rest of one.
func scans(b *bench) func(text string) {
	b.scan.Up(time.Now())
	time.Sleep(time.Second)
	return func(text string) {
		b.scan.Bytes([]byte(text), port.Arrival{At: time.Now()})
		time.Sleep(time.Second)
	}
}

func TestWhatAScanMeans(t *testing.T) {
	for scan, want := range map[string]string{
		"P-07\r":                                 "person 07",
		"P-07\r\n":                               "person 07",
		"P-07\n":                                 "person 07",
		"LOT-1003\r":                             "sample LOT-1003",
		"LOT-BOX-9\r":                            "box 9",
		"LOT-Lärche 7\r":                         "sample LOT-Lärche 7",
		"lot-1003\r":                             "refused No rule says",
		"1003\r":                                 "refused No rule says",
		"P-\r":                                   "refused Nothing follows its prefix",
		"P-0\x1b[2J7\r":                          "refused The id of person holds the character U+001B",
		"P-0\x007\r":                             "refused The id of person holds the character U+0000",
		"LOT-\xff\r":                             "refused The id of sample is not UTF-8",
		"LOT-\u202e7\r":                          "refused The id of sample holds the character U+202E",
		"LOT-1 \r":                               "refused The id of sample begins or ends with a space",
		" P-07\r":                                "refused No rule says",
		"\r\n\r\n":                               "",
		"LOT-" + strings.Repeat("9", 125) + "\r": "refused The id of sample has 129 characters",
		"LOT-" + strings.Repeat("9", 600) + "\r": "refused It cannot be read",
	} {
		bodies := inBubble(t, anchored, withScanner, func(t *testing.T, b *bench, h port.Handler) {
			scans(b)(scan)
		})
		got := ""
		for _, body := range bodies {
			e, ok := body.(*record.ContextChange)
			if !ok || e.Cause == "expired" {
				continue
			}
			if strings.TrimRight(scan, "\r\n") != strings.TrimRight(string(e.Raw), "\r\n") && len(scan) < maxScan || e.Where != "/dev/ttyS8" {
				t.Errorf("%q: the entry keeps %q from %q", scan, e.Raw, e.Where)
			}
			switch {
			case e.Cause == "refused":
				got += "refused " + e.Why
			case e.After.Person != nil:
				got += "person " + e.After.Person.ID
			case e.After.Sample != nil:
				got += "sample " + e.After.Sample.ID
			default:
				got += "box " + e.After.Fields["box"]
			}
		}
		if want == "" && got != "" || !strings.HasPrefix(got, want) {
			t.Errorf("%q: %q, want %q", scan, got, want)
		}
	}
}

func TestAScannerAtWork(t *testing.T) {
	bodies := inBubble(t, anchored, withScanner, func(t *testing.T, b *bench, h port.Handler) {
		scan := scans(b)
		if !b.Status().ScannerUp {
			t.Error("the scanner's port is up, and is not shown so")
		}
		scan("P-07\rLOT-1\r") // one read
		prints(h, "W 1.000 g S")
		scan("LO")
		b.scan.Idle(time.Now())
		prints(h, "W 1.500 g S")
		scan("T-2\r") // after a silence that no scan has in it
		if l := b.board.List(); len(l) != 1 || l[0].Code != contextRefused || !strings.Contains(l[0].Sentence, "was refused") {
			t.Errorf("conditions %+v", l)
		}
		prints(h, "W 2.000 g S")
		scan("LOT-2\r")
		if l := b.board.List(); len(l) != 0 {
			t.Errorf("conditions %+v", l)
		}
		scan("P-\x07\r") // meant to be a person: the one before does not stay
		prints(h, "W 3.000 g S")
		scan("P-08\r")
		scan("LOT-3\r")
		scan("END\r")
		prints(h, "W 4.000 g S")
		b.scan.Bytes([]byte("LOT-"), port.Arrival{At: time.Now()})
		b.scan.Down(time.Now(), &port.Trouble{Code: port.CodeLost, Sentence: "The scanner was pulled."})
		b.scan.Up(time.Now())
		b.scan.Bytes([]byte("4\rLOT-4\r"), port.Arrival{At: time.Now()}) // at once: the first may be the rest of something
		time.Sleep(time.Second)
		prints(h, "W 5.000 g S")
	})
	w := weighings(bodies)
	var got []string
	for _, one := range w {
		got = append(got, personOf(one)+"/"+sampleOf(one))
	}
	if want := []string{"07/LOT-1", "07/", "07/", "/LOT-2", "/", "/LOT-4"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	var ports []string
	for _, body := range bodies {
		if e, ok := body.(*record.PortChange); ok {
			ports = append(ports, fmt.Sprintf("%s %s %d", e.Role, e.Kind(), e.Dropped))
		}
	}
	if want := []string{" port-up 0", "scanner port-up 0", "scanner port-down 4", "scanner port-up 0"}; !slices.Equal(ports, want) {
		t.Errorf("%q, want %q", ports, want)
	}
}

// A scanner that runs away fills neither the journal nor the memory, and a person can still sign out.
func TestARunawayScanner(t *testing.T) {
	for _, text := range []string{"LOT-1\r", "9\r", "9", "END\r"} {
		bodies := inBubble(t, anchored, withScanner, func(t *testing.T, b *bench, h port.Handler) {
			scan := scans(b)
			for range 5 * 600 {
				b.scan.Bytes([]byte(text), port.Arrival{At: time.Now()})
				time.Sleep(100 * time.Millisecond)
			}
			if text == "LOT-1\r" {
				time.Sleep(time.Minute)
				scan("P-07\r")
				for range 130 {
					b.scan.Bytes([]byte(text), port.Arrival{At: time.Now()})
				}
				if n := len(b.Context().Items); n != 1 {
					t.Errorf("%d items are held: the person, and no sample that failed to be replaced", n)
				}
				if scan("END\r"); len(b.Context().Items) != 0 {
					t.Error("nobody can sign out")
				}
			}
		})
		times := 0
		for _, body := range bodies {
			if e, ok := body.(*record.ContextChange); ok {
				times += max(e.Times, 1)
			}
		}
		if len(bodies) > 7*(changesPerMinute+perMinute+1)+10 || times < 30 && text != "9" { // a scan that never ends is none
			t.Errorf("%q: %d entries that stand for %d", text, len(bodies), times)
		}
	}
}

// After a lost port the label of the balance says which one is connected; that of another one does not.
func TestTheLabelOfTheBalance(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) {
		withScanner(c)
		c.Serial = "s-77"
		c.Scanner.Rules = append(c.Scanner.Rules, ScanRule{Prefix: "BAL-", Balance: true, Strip: true})
	}, func(t *testing.T, b *bench, h port.Handler) {
		scan := scans(b)
		h.Down(time.Now(), &port.Trouble{Code: port.CodeLost, Sentence: "The cable was pulled."})
		quietly(h)
		prints(h, "W 1.000 g S")
		scan("BAL-b-13\r")
		prints(h, "W 2.000 g S")
		scan("BAL-s-77\r")
		prints(h, "W 3.000 g S")
	})
	var got []string
	for _, body := range bodies {
		switch e := body.(type) {
		case *record.Weighing:
			got = append(got, e.Balance.Identity)
		case *record.ContextChange:
			got = append(got, e.Cause)
		}
	}
	if want := []string{unconfirmed, "refused", unconfirmed, "confirmed", confirmed}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestTheKindOfCode(t *testing.T) {
	bodies := inBubble(t, anchored, func(c *Config) {
		withScanner(c)
		c.Scanner.Symbology, c.Scanner.Ends = true, endsTab
	}, func(t *testing.T, b *bench, h port.Handler) {
		scan := scans(b)
		scan("]C0LOT-1\t")
		scan("LOT-2\t")
		scan("]C0LOT-3\r") // CR does not end it
	})
	if got, want := story(bodies)[:2], []string{"set ->LOT-1", "refused LOT-1>LOT-1"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", story(bodies), want)
	}
}
