package setup

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/config"
	"weighpost/gateway/port"
	"weighpost/gateway/port/uart"
	"weighpost/gateway/setup/setuptest"
)

// bench is a balance that prints its lines each time that its port is opened.
type bench struct {
	lines   string
	opened  []port.Config
	pressed func(n int) string // other lines for the n-th opening, or ""
}

func (b *bench) open(_ context.Context, c port.Config) (port.Port, error) {
	b.opened = append(b.opened, c)
	lines := b.lines
	if b.pressed != nil {
		if other := b.pressed(len(b.opened)); other != "" {
			lines = other
		}
	}
	s := &script{}
	for line := range strings.Lines(lines) {
		s.steps = append(s.steps, scripted{bytes: line}, quiet)
	}
	return s, nil
}

func seedLines(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%10.4f g  \r\n", 12.345+float64(i)*1.0007)
	}
	return b.String()
}

// guided runs the guide in a folder with a layout file.
func guided(t *testing.T, dir string, p Person, b *bench, given Given) (*Added, error) {
	t.Helper()
	put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
	if given.Config == "" {
		given.Config = filepath.Join(dir, "weighpost.yaml")
	}
	list := func(context.Context) ([]port.Found, error) {
		return []port.Found{{Address: "/dev/ttyS1", Device: "/dev/ttyS1", Kind: "on-board"},
			{Address: "/dev/serial/by-id/usb-seeds", Device: "/dev/ttyUSB0", Kind: "usb", Description: "adapter", Holder: "another program"}}, nil
	}
	return AddBalance(t.Context(), p, Tools{Open: b.open, List: list}, given)
}

func TestGuideAsksForEverything(t *testing.T) {
	dir := t.TempDir()
	p := &talker{answers: map[string]string{"port": "", "settings": "known", "known-settings": "4800 7E1", "done": "", "id": "b-12", "serial": "0047-112", "place": "Germination room",
		"capacity": "220 g", "readability": "", "record": "printed", "compare": "yes", "site": "seed-bank", "journal": "", "write": ""}}
	b := &bench{lines: seedLines(6)}
	added, err := guided(t, dir, p, b, Given{Layout: filepath.Join(dir, "seeds.yaml"), Lines: 6})
	if err != nil {
		t.Fatalf("%v\n%s", err, p.told())
	}
	c, err := config.LoadFile(added.Config)
	if err != nil {
		t.Fatal(err)
	}
	got := c.Balances[0]
	want := port.Config{Address: "/dev/ttyS1", Speed: 4800, DataBits: 7, Parity: "even", StopBits: 1}
	if got.ID != "b-12" || !got.Port.Same(want) || got.Layout != "seeds.yaml" || got.Readability.String() != "0.0001 g" || got.Capacity.String() != "220 g" ||
		c.Site != "seed-bank" {
		t.Errorf("%+v", got)
	}
	if !strings.Contains(p.told(), "Reads:  12.3450 g") || !strings.Contains(p.told(), "open in another program") {
		t.Errorf("told:\n%s", p.told())
	}
	for _, c := range b.opened {
		if !c.Same(want) {
			t.Errorf("opened with %+v", c)
		}
	}
}

// TestGuideStopsAndLeavesNothing stops at each question, and ends each with its context.
func TestGuideStopsAndLeavesNothing(t *testing.T) {
	all := map[string]string{"port": "", "settings": "known", "known-settings": "", "id": "b-12", "serial": "", "place": "", "capacity": "", "readability": "", "compare": "yes",
		"site": "seed-bank", "journal": "", "write": ""}
	for key := range all {
		dir := t.TempDir()
		answers := map[string]string{}
		for k, v := range all {
			answers[k] = v
		}
		answers[key] = "stop"
		p := &talker{answers: answers}
		_, err := guided(t, dir, p, &bench{lines: seedLines(3)}, Given{Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3})
		if !errors.Is(err, ErrStopped) {
			t.Errorf("%s: %v", key, err)
		}
		if got := files(t, dir); len(got) != 1 {
			t.Errorf("%s: left behind: %v", key, got)
		}
	}
}

func TestGuideGoesBack(t *testing.T) {
	dir := t.TempDir()
	p := &talker{answers: map[string]string{"port": "/dev/ttyS1|/dev/serial/by-id/usb-seeds", "settings": "back|known", "known-settings": "", "id": "b-12", "serial": "", "place": "",
		"capacity": "220 g|210 g", "readability": "12|back|0.001 g", "compare": "again|yes", "site": "seed-bank", "journal": "", "write": ""}}
	added, err := guided(t, dir, p, &bench{lines: seedLines(3)}, Given{Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3})
	if err != nil {
		t.Fatalf("%v\n%s", err, p.told())
	}
	for _, want := range []string{"address: /dev/serial/by-id/usb-seeds", "capacity: 210 g", "readability: 0.001 g"} {
		if !strings.Contains(added.Block, want) {
			t.Errorf("%s lacks %s", added.Block, want)
		}
	}
}

// TestGuideAlone has everything on the command line, and nobody there.
func TestGuideAlone(t *testing.T) {
	given := func(dir string) Given {
		return Given{Port: port.Config{Address: "/dev/ttyS1", Speed: 4800}, Settings: true, Layout: filepath.Join(dir, "seeds.yaml"), Yes: true,
			Balance: Plate{ID: "b-3"}, Site: "seed-bank", Journal: "j", Lines: 3}
	}
	dir := t.TempDir()
	added, err := guided(t, dir, Nobody{}, &bench{lines: seedLines(3)}, given(dir))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(added.Block, "speed: 4800") {
		t.Error(added.Block)
	}
	for _, c := range []struct {
		name   string
		change func(*Given)
		want   string
	}{
		{"the same again", func(*Given) {}, "the id: b-3 is the id of another balance"},
		{"no port", func(g *Given) { g.Port = port.Config{} }, "the port is not known: name it (--port)"},
		{"no id", func(g *Given) { g.Balance.ID = "" }, "the id is not known: give it (--id)"},
		{"no agreement", func(g *Given) { g.Yes, g.Balance = false, Plate{"b-4", "-", "-", "-", "-"} }, "say --yes"},
		{"no mass", func(g *Given) { g.Balance = Plate{ID: "b-4", Capacity: "220"} }, "the capacity: \"220\" is no mass"},
		{"no such layout", func(g *Given) { g.Layout = "none.yaml" }, "the layout cannot be read"},
		{"no such speed", func(g *Given) { g.Port.Speed = 7 }, "speed"},
	} {
		g := given(dir)
		c.change(&g)
		before, _ := os.ReadFile(filepath.Join(dir, "weighpost.yaml"))
		_, err := guided(t, dir, Nobody{}, &bench{lines: seedLines(3)}, g)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
		if after, _ := os.ReadFile(filepath.Join(dir, "weighpost.yaml")); string(after) != string(before) {
			t.Errorf("%s: the configuration changed", c.name)
		}
	}
}

// TestGuideFindsSettings listens to a balance that is set to 4800 7E1 and prints by itself, with somebody there and without.
func TestGuideFindsSettings(t *testing.T) {
	for _, alone := range []bool{false, true} {
		t.Run(fmt.Sprintf("alone %v", alone), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { findsSettings(t, alone) })
		})
	}
}

func findsSettings(t *testing.T, alone bool) {
	dir := t.TempDir()
	b := &setuptest.Balance{Line: uart.Settings{Speed: 4800, DataBits: 7, Parity: "even", StopBits: 1}, Tells: true, Stream: 300 * time.Millisecond,
		Print: func(n int) string { return fmt.Sprintf("%10.4f g  \r\n", 12.345+float64(n)*1.0007) }}
	var p Person = &talker{answers: map[string]string{"settings": "", "take-settings": "", "record": "printed", "compare": "yes", "write": ""}}
	if alone {
		p = Nobody{}
	}
	put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
	added, err := AddBalance(t.Context(), p, Tools{Open: b.Open}, Given{Config: filepath.Join(dir, "weighpost.yaml"), Port: port.Config{Address: "/dev/ttyS1"},
		Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3, Balance: Plate{"b-1", "-", "-", "-", "0.0001 g"}, Site: "seed-bank", Journal: "j", Yes: alone})
	if err != nil || !strings.Contains(added.Block, "speed: 4800\n    data_bits: 7\n    parity: even\n  layout") {
		t.Errorf("alone %v: %+v, %v", alone, added, err)
	}
}

// withDefaults opens a port with the settings that a configuration leaves out, as a real port does.
func withDefaults(open Opener) Opener {
	return func(ctx context.Context, c port.Config) (port.Port, error) {
		c.Speed, c.DataBits, c.Parity, c.StopBits = cmp.Or(c.Speed, 9600), cmp.Or(c.DataBits, 8), cmp.Or(c.Parity, port.ParityNone), cmp.Or(c.StopBits, 1)
		return open(ctx, c)
	}
}

// TestGuideAsksABalance that speaks only when asked, by what the person gives and nothing else.
func TestGuideAsksABalance(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := &setuptest.Balance{Line: uart.Settings{Speed: 2400, DataBits: 7, Parity: "even", StopBits: 1}, Tells: true, Poll: "P\r\n",
			Print: func(n int) string { return fmt.Sprintf("%10.4f g  \r\n", 12.345+float64(n)*1.0007) }}
		p := &talker{answers: map[string]string{"settings": "ask", "poll": `\q|P\r\n`, "take-settings": "", "every": "2s", "loaded": "", "compare": "yes", "write": ""}}
		put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
		added, err := AddBalance(t.Context(), p, Tools{Open: withDefaults(b.Open)}, Given{Config: filepath.Join(dir, "weighpost.yaml"), Port: port.Config{Address: "/dev/ttyS1"},
			Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3, Balance: Plate{"b-1", "-", "-", "-", "0.0001 g"}, Site: "seed-bank", Journal: "j", listen: 500 * time.Millisecond})
		if err != nil {
			t.Fatalf("%v\n%s", err, p.told())
		}
		for _, want := range []string{"speed: 2400\n    data_bits: 7\n    parity: even\n", "  ask:\n    send: \"P\\r\\n\"\n    every: 2s\n", "record: settled"} {
			if !strings.Contains(added.Block, want) {
				t.Errorf("%q lacks %q", added.Block, want)
			}
		}
	})
}

// TestGuideSaysWhyNothingComes where nothing does.
func TestGuideSaysWhyNothingComes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := &setuptest.Balance{Line: uart.Settings{Speed: 9600, DataBits: 8, Parity: "none", StopBits: 1}, Print: func(int) string { return seedLines(1) }}
		p := &talker{answers: map[string]string{"settings": "listen|stop", "nothing-came": "stop"}}
		_, err := AddBalance(t.Context(), p, Tools{Open: b.Open}, Given{Config: filepath.Join(dir, "weighpost.yaml"), Port: port.Config{Address: "/dev/ttyS1"}, listen: time.Millisecond})
		if !errors.Is(err, ErrStopped) || !strings.Contains(p.told(), "Nothing came from the balance.") || b.IsOpen() || b.Presses() > 0 {
			t.Errorf("%v, asked %v\n%s", err, p.asked, p.told())
		}
	})
}

// TestGuideAsksForAnotherID where the journal knows the first one from a balance that is gone.
func TestGuideAsksForAnotherID(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
	p := &talker{answers: map[string]string{"port": "", "settings": "known", "known-settings": "", "id": "b-7|b-8", "serial": "", "place": "", "capacity": "", "readability": "", "compare": "yes",
		"site": "seed-bank", "journal": "", "write": ""}}
	past := func(context.Context, string) (map[string]string, error) { return map[string]string{"b-7": "0047"}, nil }
	list := func(context.Context) ([]port.Found, error) {
		return []port.Found{{Address: "/dev/ttyS1", Device: "/dev/ttyS1"}}, nil
	}
	b := &bench{lines: seedLines(3)}
	added, err := AddBalance(t.Context(), p, Tools{Open: b.open, List: list, Past: past},
		Given{Config: filepath.Join(dir, "weighpost.yaml"), Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3})
	if err != nil || !strings.Contains(added.Block, "id: b-8") || !strings.Contains(p.told(), `The id b-7 belongs to the balance with the serial number "0047"`) {
		t.Errorf("%+v, %v\n%s", added, err, p.told())
	}
}

// TestGuideChoosesAnotherPort where the first one cannot be opened.
func TestGuideChoosesAnotherPort(t *testing.T) {
	dir := t.TempDir()
	p := &talker{answers: map[string]string{"port": "/dev/serial/by-id/usb-seeds|/dev/ttyS1", "settings": "known", "known-settings": "", "id": "b-12", "serial": "",
		"place": "", "capacity": "", "readability": "", "compare": "yes", "site": "seed-bank", "journal": "", "write": ""}}
	b := &bench{lines: seedLines(3)}
	list := func(context.Context) ([]port.Found, error) {
		return []port.Found{{Address: "/dev/ttyS1", Note: "It is the second socket."}, {Address: "/dev/serial/by-id/usb-seeds"}}, nil
	}
	busy := func(ctx context.Context, c port.Config) (port.Port, error) {
		if c.Address != "/dev/ttyS1" {
			return nil, &port.Trouble{Code: port.CodeBusy, Sentence: "Another program has the port.", Remedy: "End it."}
		}
		return b.open(ctx, c)
	}
	put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
	given := Given{Config: filepath.Join(dir, "weighpost.yaml"), Layout: filepath.Join(dir, "seeds.yaml"), Lines: 3}
	added, err := AddBalance(t.Context(), p, Tools{Open: busy, List: list}, given)
	if err != nil || !strings.Contains(added.Block, "/dev/ttyS1") || !strings.Contains(p.told(), "Another program has the port. End it.") ||
		!strings.Contains(p.told(), "Note: It is the second socket.") {
		t.Errorf("%+v, %v\n%s", added, err, p.told())
	}
	given.Port, given.Config = port.Config{Address: "/dev/ttyS7"}, filepath.Join(dir, "other.yaml")
	if _, err := AddBalance(t.Context(), p, Tools{Open: busy, List: list}, given); err == nil || !strings.Contains(err.Error(), "Another program has the port.") {
		t.Errorf("a port that was given: %v", err)
	}
}

// TestGuideShowsTheBlock where it finds no place for it.
func TestGuideShowsTheBlock(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "seeds.yaml"), seedLayout)
	put(t, filepath.Join(dir, "weighpost.yaml"), "site: seed-bank\njournal: {folder: j}\nbalances: none\n")
	p := &talker{answers: map[string]string{}}
	_, err := AddBalance(t.Context(), p, Tools{Open: (&bench{}).open}, Given{Config: filepath.Join(dir, "weighpost.yaml"), Port: port.Config{Address: "/dev/ttyS1"},
		Settings: true, Layout: filepath.Join(dir, "seeds.yaml"), Balance: Plate{ID: "b-1"}, Yes: true})
	if !errors.Is(err, config.ErrByHand) || !strings.Contains(p.told(), "  - id: b-1\n    port:\n      address: /dev/ttyS1\n") {
		t.Errorf("%v\n%s", err, p.told())
	}
}

// TestGuideMendsFirst refuses a configuration that has mistakes before anybody is asked anything.
func TestGuideMendsFirst(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "weighpost.yaml"), "site: seed-bank\njournal: {folder: j}\nbalanses: []\n")
	p := &talker{answers: map[string]string{}}
	_, err := guided(t, dir, p, &bench{}, Given{})
	if err == nil || !strings.Contains(err.Error(), "which come first") || len(p.asked) > 0 {
		t.Errorf("%v, asked %v", err, p.asked)
	}
	put(t, filepath.Join(dir, "weighpost.yaml"), "site: seed-bank\njournal: {folder: j}\nbalances:\n")
	if _, err = guided(t, dir, p, &bench{}, Given{}); !errors.Is(err, ErrNobody) {
		t.Errorf("a list without a balance is no mistake here: %v", err)
	}
}

func TestParseSettings(t *testing.T) {
	for text, want := range map[string]string{"9600 8N1": "9600 8N1", "4800,7e1": "4800 7E1", " 19200 7-O-2 ": "19200 7O2", "2400/8S1": "2400 8S1"} {
		if c, err := ParseSettings(text); err != nil || c.Settings() != want {
			t.Errorf("%q: %q, %v", text, c.Settings(), err)
		}
	}
	for _, text := range []string{"", "9600", "9600 8N", "8N1 9600", "9600 9N1", "9600 8X1", "9600 8N3", "99999999 8N1"} {
		if c, err := ParseSettings(text); err == nil {
			t.Errorf("%q is read as %+v", text, c)
		}
	}
}
