package sparkplug

import (
	"fmt"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt"
)

// Config is one Sparkplug node as a person writes it.
type Config struct {
	Broker      string          `yaml:"broker" desc:"Address of the broker: mqtt://host:1883 without encryption, mqtts://host:8883 with TLS."`
	Brokers     []string        `yaml:"brokers" desc:"Addresses of several brokers in place of one, in order of preference: the next one gets what comes while those before it cannot be reached. Hosts have to hear all of them: they have to be one cluster, or bridged."`
	Insecure    bool            `yaml:"insecure" desc:"Allow a connection without encryption to another machine." default:"false"`
	ClientID    string          `yaml:"client_id" desc:"Name under which the broker knows this connection; no other connection may use it. Made of group and node if not given."`
	Username    string          `yaml:"username" desc:"User name for the broker."`
	Password    strict.Secret   `yaml:"password" desc:"Where the password is kept: file:/path or env:NAME."`
	CA          string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the broker; those of the system if not given."`
	Certificate string          `yaml:"certificate" desc:"PEM file of the client certificate that is shown to the broker."`
	Key         string          `yaml:"key" desc:"PEM file of the private key of the client certificate."`
	KeepAlive   strict.Duration `yaml:"keep_alive" desc:"A broker that has not answered for this long counts as gone, from 2s to 1h. It is asked twice as often." default:"30s"`
	Group       string          `yaml:"group" desc:"Sparkplug group that the node belongs to." default:"weighpost"`
	Node        string          `yaml:"node" desc:"Sparkplug name of this gateway, which no other node of the group may have; the site's name if not given. Each balance is a device of the node."`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{KeepAlive: strict.Duration(30 * time.Second), Group: "weighpost"}
}

// link is the same brokers as the settings of a sink of kind mqtt.
func (c *Config) link() *mqtt.Config {
	link := mqtt.Default()
	link.Brokers = c.Brokers
	link.Broker, link.Insecure, link.ClientID, link.Username, link.Password = c.Broker, c.Insecure, c.ClientID, c.Username, c.Password
	link.CA, link.Certificate, link.Key, link.KeepAlive = c.CA, c.Certificate, c.Key, c.KeepAlive
	return link
}

// PrivateKeys names the file with the private key of the client certificate.
func (c *Config) PrivateKeys() map[string]string { return c.link().PrivateKeys() }

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	c.link().Check(r)
	checkToken(r.At("group"), c.Group, "weighpost")
	if c.Node != "" {
		checkToken(r.At("node"), c.Node, "north-lab")
	}
}

// mostToken is the longest name of a group or node, in bytes: a topic has 65,535.
const mostToken = 128

// checkToken checks one level of a topic (Sparkplug 3.0.0 chapter 4: no +, / or #).
func checkToken(r *strict.Report, text, such string) {
	switch {
	case text == "" || len(text) > mostToken:
		r.Fault(fmt.Sprintf("has %d bytes", len(text)), fmt.Sprintf("1 to %d, such as %s", mostToken, such))
	case strings.ContainsAny(text, "+/#") || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\ufffd' }):
		r.Fault(fmt.Sprintf("%.40q holds a character that a name in Sparkplug cannot have", text), "a name without + / # and control characters, such as "+such)
	}
}

// Carries says which kinds of entry the sink can hold: what a balance weighed, and whether it can be heard.
func (c *Config) Carries(k record.Kind) bool {
	return k.Numbered() || k == record.KindPortUp || k == record.KindPortDown
}

// Publishes says that checkpoints have no place here.
func (c *Config) Publishes() bool { return false }

// Destination is the brokers and the node.
func (c *Config) Destination() string {
	return "sparkplug " + strings.TrimSuffix(strings.TrimPrefix(c.link().Destination(), "mqtt "), " "+c.link().Prefix+"/") + " " + c.Group + "/" + c.Node
}

// Single keeps two sinks from being one node.
func (c *Config) Single() (what, instead string) {
	return "the Sparkplug node " + strings.TrimPrefix(c.Destination(), "sparkplug "), "another node for one of them"
}

// Open makes the sink, which connects by itself.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// Preview is the message for one weighing in a session in which nothing else was sent.
func (c *Config) Preview(_ string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	n := c.names(env)
	if !e.Kind.Numbered() {
		return sinks.Shown{}, fmt.Errorf("entry %s becomes a birth or a death of the device, and no data", e.ID)
	}
	list, taken, err := weighed(e)
	if err != nil {
		return sinks.Shown{}, err
	}
	return sinks.Shown{To: n.device(ddata, e.Balance), Body: payload{at: taken, taken: taken, metrics: changed(without(), list), seq: 2}.encode()}, nil
}
