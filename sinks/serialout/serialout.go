// Package serialout delivers entries as lines to whatever reads a serial port: a program that knows no other way, on another
// computer or behind a pair of virtual ports. What a delivery means there is said in package lines.
package serialout

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/lines"
)

// Config is one serial-out sink as a person writes it.
type Config struct {
	Port         sinks.SerialLine `yaml:"port" desc:"The serial port at whose other end the program reads, with the settings of its line."`
	lines.Config `yaml:",inline" desc:"How lines are written, and when."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config { return &Config{Port: sinks.DefaultLine(), Config: lines.Default()} }

// Serial is the port: whoever lends ports has the rules for it.
func (c *Config) Serial() (key string, line *sinks.SerialLine) { return "port", &c.Port }

// Check adds every fault to r, but for those of the port's settings.
func (c *Config) Check(r *strict.Report) {
	if c.Port.Address == "" {
		r.At("port").Fault("the serial port is missing", "port: {address: /dev/serial/by-id/…}")
	}
	c.CheckLines(r)
}

// Destination is the port. Other settings of its line are the same place.
func (c *Config) Destination() string { return "serial-out " + c.Port.Address }

// Single says that a port serves one sink.
func (c *Config) Single() (what, instead string) {
	if c.Port.Address == "" {
		return "", ""
	}
	return "the serial port " + c.Port.Address, "another port, or one sink with all its entries"
}

// Preview shows the line of one entry.
func (c *Config) Preview(_ string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	return c.Config.Preview(c.Port.Address, env, e)
}

// Open makes the sink. The port is opened as soon as it is there.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) {
	if env.Ports == nil {
		return nil, errors.New("there are no serial ports to be had here")
	}
	d := &door{ports: env.Ports, line: c.Port}
	return lines.New(c.Config, id, env, lines.Nature{Most: 1, Found: true, Joined: true, Write: c.limit(), Where: "the serial port " + c.Port.Address}, d)
}

// forDrain is how much longer than the port's write_timeout one line may take to leave the computer: at 300 bits a second, 1,000
// bytes take 33 s.
const forDrain = 30 * time.Second

func (c *Config) limit() time.Duration {
	return c.Port.WriteTimeout.D() + forDrain
}

// door opens the port.
type door struct {
	ports sinks.Ports
	line  sinks.SerialLine
}

func (d *door) Next(ctx context.Context) (lines.Conn, string, error) {
	p, err := d.ports.OpenSerial(ctx, d.line)
	if err != nil {
		return nil, "", fmt.Errorf("it cannot be opened: %w", err)
	}
	return p, d.line.Address, nil
}

func (d *door) Close() error { return nil }
