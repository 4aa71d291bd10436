package postgres

import (
	"fmt"
	"net"
	"regexp"
	"strconv"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// Config is one PostgreSQL sink as a person writes it.
type Config struct {
	Connection `yaml:",inline"`

	Table  string `yaml:"table" desc:"Name of the table, with that of its schema in front if wanted; lower-case letters, digits and underscores." default:"weighpost_entries"`
	Create bool   `yaml:"create" desc:"Make the table if there is none. One that is there is never changed." default:"false"`
}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Table: "weighpost_entries", Connection: DefaultConnection()}
}

// tableName is what a table may be called: names that need no quotes, so that nobody who writes SQL needs any.
var tableName = regexp.MustCompile(`^([a-z_][a-z0-9_]{0,50}\.)?[a-z_][a-z0-9_]{0,50}$`)

// Check adds every fault of the configuration to r.
func (c *Config) Check(r *strict.Report) {
	c.Connection.Check(r)
	if !tableName.MatchString(c.Table) {
		r.At("table").Fault(show(c.Table)+" is no name for a table", "such as weighpost_entries or lab.weighings, in lower case")
	}
}

// Destination is the server, the database and the table.
func (c *Config) Destination() string {
	host, port, err := c.address()
	if err != nil {
		return "postgres, at no address"
	}
	return "postgres " + net.JoinHostPort(host, strconv.Itoa(int(port))) + " " + c.Database + " " + c.Table
}

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }

// show quotes what a person wrote.
func show(s string) string { return fmt.Sprintf("%.60q", s) }
