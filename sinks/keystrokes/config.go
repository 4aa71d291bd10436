package keystrokes

import (
	"fmt"
	"path/filepath"
	"runtime"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// What is typed.
const (
	Digits     = "digits"
	DigitsUnit = "digits-unit"
	Template   = "template"
)

// Config is one keyboard as a person writes it.
type Config struct {
	Device    string              `yaml:"device" desc:"The keyboard that this computer plays at its USB gadget port, such as /dev/hidg0. Linux only."`
	Map       string              `yaml:"map" desc:"What the other computer takes keys for: its keyboard map. With another one than it has, wrong characters are typed." enum:"us,gb,de,fr" default:"us"`
	Before    []string            `yaml:"before" desc:"Keys that are pressed before the text, by name: home, tab, f2 and so on."`
	After     []string            `yaml:"after" desc:"Keys that are pressed after the text, by name, such as enter or tab." default:"[enter]"`
	KeyTime   strict.Duration     `yaml:"key_time" desc:"How long each key is held, and waited for after it, 1ms to 1s." default:"8ms"`
	NewestFor strict.Duration     `yaml:"newest_for" desc:"A weighing that is older than this is not typed any more, for nobody knows where the cursor is by then: 1s to 10m." default:"10s"`
	Text      string              `yaml:"text" desc:"What is typed: the digits as the balance printed them, digits and unit with a space between, or a template of your own." enum:"digits,digits-unit,template" default:"digits"`
	Template  format.TextTemplate `yaml:"template" desc:"The text of your own, for text: template."`
}

// Default is a Config with what applies where the file says nothing: the digits, and Enter.
func Default() *Config {
	return &Config{Map: "us", After: []string{"enter"}, KeyTime: strict.Duration(8 * time.Millisecond), NewestFor: strict.Duration(10 * time.Second),
		Text: Digits, Template: format.DefaultChoice().Template}
}

// mostKeys is how many keys may come before or after.
const mostKeys = 16

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	switch {
	case c.Device == "":
		r.At("device").Fault("the keyboard device is missing", "/dev/hidg0, once the gadget is set up: weighpost help sink-keystrokes")
	case !filepath.IsAbs(c.Device):
		r.At("device").Fault(fmt.Sprintf("%.60q is not absolute", c.Device), "a device, such as /dev/hidg0")
	case runtime.GOOS != "linux":
		r.At("device").Fault("a computer plays a keyboard only on Linux, with a USB gadget port", "another kind of destination")
	}
	if _, known := keymaps[c.Map]; !known {
		r.At("map").Fault(fmt.Sprintf("%.20q is no keyboard map that is known", c.Map), mapNames())
	}
	for key, names := range map[string][]string{"before": c.Before, "after": c.After} {
		if len(names) > mostKeys {
			r.At(key).Fault(fmt.Sprintf("names %d keys", len(names)), fmt.Sprintf("at most %d", mostKeys))
		}
		for i, name := range names {
			if _, known := named[name]; !known {
				r.At(key).Index(i).Fault(fmt.Sprintf("%.20q is no name of a key", name), keyNames())
			}
		}
	}
	r.At("key_time").Within(c.KeyTime, time.Millisecond, time.Second)
	r.At("newest_for").Within(c.NewestFor, time.Second, 10*time.Minute)
	switch c.Text {
	case Digits, DigitsUnit:
		if at := r.At("template"); at.Written() {
			at.Fault("is only for text: template", "text: template, or leave the keys out")
		}
	case Template:
		choice := c.choice()
		choice.Check(r, format.OneByOne)
	default:
		r.At("text").Fault(fmt.Sprintf("%.20q is no kind of text", c.Text), "digits, digits-unit or template")
	}
}

// choice is the template as a format.
func (c *Config) choice() format.Choice {
	choice := format.DefaultChoice()
	choice.Format, choice.Template = format.NameTemplate, c.Template
	return choice
}

// Carries says which kinds of entry are typed: weighings and results.
func (c *Config) Carries(k record.Kind) bool { return k.Numbered() }

// Publishes says that checkpoints are not typed.
func (c *Config) Publishes() bool { return false }

// Destination is the device.
func (c *Config) Destination() string { return "keystrokes " + filepath.Clean(c.Device) }

// Single keeps two sinks from typing at once.
func (c *Config) Single() (what, instead string) {
	return "the keyboard " + filepath.Clean(c.Device), "one sink for both"
}

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// Preview is the text between the keys before and after.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	s, err := New(*c, id, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	text, err := s.text(e)
	if err == nil {
		_, err = typed(s.keys, text)
	}
	return sinks.Shown{To: c.Device, Body: []byte(text), Type: "text/plain; charset=utf-8", Attributes: around(c)}, err
}

// around tells of the keys beside the text.
func around(c *Config) (list []sinks.Attribute) {
	for what, names := range map[string][]string{"keys after": c.After, "keys before": c.Before} {
		for _, name := range names {
			list = append(list, sinks.Attribute{Name: what, Value: name})
		}
	}
	return list
}
