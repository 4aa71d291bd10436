package config

import (
	"slices"
	"strings"
	"testing"
)

func sentences(t *testing.T, before, after *Config) (list []string) {
	t.Helper()
	all, err := Diff(before.Redacted(), after.Redacted())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range all {
		list = append(list, d.String())
	}
	return list
}

const secondBalance = "- id: b-13\n  port: {address: /dev/ttyUSB1, parity: even}\n  layout: bad/layouts/plain.yaml\nsinks:"

// TestDifferencesAreSentences holds what is said of each kind of change.
func TestDifferencesAreSentences(t *testing.T) {
	for _, c := range []struct {
		name   string
		change []string
		want   []string
	}{
		{"nothing", nil, nil},
		{"the way it is written", []string{"capacity: 220 g", `capacity: "220 g" # as on the plate`}, nil},
		{"a place", []string{"  capacity", "  place: north room\n  capacity"}, []string{`balance b-12: place was changed from "" to "north room"`}},
		{"a setting of the port", []string{"speed: 9600", "speed: 4800"}, []string{"balance b-12: port.speed was changed from 9600 to 4800"}},
		{"a rule", []string{"record: printed", "record:\n    every: 5s"}, []string{`balance b-12: record.every was changed from "0s" to "5s"`, `balance b-12: record.kind was changed from "printed" to "every"`}},
		{"a new balance", []string{"sinks:", secondBalance}, []string{"balance b-13 was added"}},
		{"another id", []string{"id: b-12", "id: b-14"}, []string{"balance b-12 was removed", "balance b-14 was added"}},
		{"another secret", []string{"file:/etc/weighpost/broker", "env:BROKER_PASSWORD"}, []string{"sink broker: password was changed"}},
		{"another kind of sink", []string{"kind: mqtt\n  broker: mqtts://broker.example:8883\n  username: weighpost\n  password: file:/etc/weighpost/broker", "kind: files\n  folder: /srv/out"}, nil},
		{"the page", []string{"127.0.0.1:8467", "127.0.0.1:8468"}, []string{`page: listen was changed from "127.0.0.1:8467" to "127.0.0.1:8468"`}},
		{"the site", []string{"north-lab", "south-lab"}, []string{`the configuration: site was changed from "north-lab" to "south-lab"`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := sentences(t, good(t), good(t, c.change...))
			if c.name == "another kind of sink" {
				if !slices.Contains(got, `sink broker: kind was changed from "mqtt" to "files"`) || !slices.Contains(got, "sink broker: password was changed") {
					t.Errorf("%q", got)
				}
				return
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
			for _, s := range got {
				if strings.Contains(s, "/etc/weighpost/broker") || strings.Contains(s, "BROKER_PASSWORD") {
					t.Errorf("it shows where a secret is kept: %s", s)
				}
			}
		})
	}
}

// TestOrderIsADifference: what is the same in another order is one sentence, since the page lists it so.
func TestOrderIsADifference(t *testing.T) {
	first := good(t, "sinks:", secondBalance)
	second := *first
	second.Balances = slices.Clone(first.Balances)
	slices.Reverse(second.Balances)
	if got := sentences(t, first, &second); !slices.Equal(got, []string{"the order of the balances was changed"}) {
		t.Errorf("%q", got)
	}
}

// TestAnOlderProgramsConfiguration: a key that the older one did not have counts only where it says something.
func TestAnOlderProgramsConfiguration(t *testing.T) {
	all, err := Diff([]byte(`{"site":"a","sinks":[{"id":"x"}]}`), []byte(`{"site":"a","sinks":[{"id":"x","tls":"","new":3}]}`))
	if err != nil || len(all) != 1 || all[0].String() != "sink x: new is now 3" {
		t.Errorf("%v %v", all, err)
	}
	if _, err := Diff([]byte(`{"site"`), []byte(`{}`)); err == nil {
		t.Error("half a configuration is compared")
	}
}

// TestAKeyInAnAddressIsNotKept: people put keys after the ? of an address, and the redacted configuration is stored for good.
func TestAKeyInAnAddressIsNotKept(t *testing.T) {
	with := func(key string) *Config {
		return good(t, "kind: mqtt\n  broker: mqtts://broker.example:8883\n  username: weighpost\n  password: file:/etc/weighpost/broker",
			"kind: http\n  url: https://lab.example/in?key="+key)
	}
	one, other := with("hunter2"), with("hunter3")
	if text := string(one.Redacted()); strings.Contains(text, "hunter2") || !strings.Contains(text, "https://lab.example/in?…") {
		t.Errorf("%s", text)
	}
	if one.Hash() == other.Hash() {
		t.Error("another key is no change")
	}
}

// TestSecretsOfASink are found under the keys of the file.
func TestSecretsOfASink(t *testing.T) {
	c := good(t)
	all := c.Sinks[0].Secrets()
	if len(all) != 1 || all["password"].String() != "the secret in file:/etc/weighpost/broker" {
		t.Errorf("%v", all)
	}
}
