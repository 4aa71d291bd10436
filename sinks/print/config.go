package print

import (
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/text"
)

// Ways to a printer.
const (
	Spooler = "spooler" // the system's, by the command lp
	IPP     = "ipp"     // Internet Printing Protocol, RFC 8010 and 8011
	Raw     = "raw"     // bytes over TCP, most often to port 9100
	Serial  = "serial"
)

// What is printed.
const (
	Text  = "text"  // what the format gives
	Label = "label" // a PDF page of its own size
	// Report is the file of a report that was issued.
	Report = "report"
)

// Config is one print sink as a person writes it.
type Config struct {
	Way      string           `yaml:"way" desc:"How the printer is reached. spooler: a queue of this computer, by lp. ipp: a printer or print server that speaks IPP. raw: bytes over TCP, as label printers take them. serial: a printer on a serial port." enum:"spooler,ipp,raw,serial"`
	Queue    string           `yaml:"queue" desc:"Name of the queue, for way: spooler."`
	Server   string           `yaml:"server" desc:"host:port of the spooler, where it is not this computer's own. Beyond loopback only with insecure."`
	URL      string           `yaml:"url" desc:"Address of the printer, for way: ipp: ipps://host/printers/name, or ipp:// without encryption."`
	CA       string           `yaml:"ca" desc:"PEM file of the authorities that may vouch for the printer; those of the system if not given."`
	Address  string           `yaml:"address" desc:"host:port of the printer, for way: raw; the port is 9100 in most."`
	Port     sinks.SerialLine `yaml:"port" desc:"The serial port of the printer, for way: serial."`
	Insecure bool             `yaml:"insecure" desc:"Allow another machine without encryption: anyone on the way can read and change what is printed." default:"false"`
	Timeout  strict.Duration  `yaml:"timeout" desc:"How long the printer or spooler may take to answer, 1s to 5m." default:"10s"`

	Print   string `yaml:"print" desc:"text: what the format gives, as plain text. label: a page of the size of a label, as PDF, for spooler and ipp. report: reports that were issued, as PDF, for spooler and ipp, with entries: [report-issued]." enum:"text,label,report" default:"text"`
	Type    string `yaml:"type" desc:"Media type that the spooler or printer is told. Left out: text/plain, or application/pdf for a label. application/vnd.cups-raw has many spoolers pass bytes as they are."`
	PageEnd string `yaml:"page_end" desc:"What follows each text: a form feed lets most printers eject the page; some label printers need nothing." default:"\f"`

	Label         LabelForm `yaml:"label" desc:"How a label looks, for print: label."`
	format.Choice `yaml:",inline" desc:"How entries are written, for print: text."`
	text.Coding   `yaml:",inline" desc:"Which characters the printer takes."`
}

// LabelForm says how a label looks.
type LabelForm struct {
	Width  int      `yaml:"width" desc:"Width of the label in millimetres, 15 to 300." default:"62"`
	Height int      `yaml:"height" desc:"Height of the label in millimetres, 10 to 300." default:"29"`
	Fields []string `yaml:"fields" desc:"What stands on it, one below the other, beside the id of the weighing, which always does. One that the entry does not have is left out." enum:"weight,sample,person,balance,time,lot,method,verdicts" default:"[weight, sample, person, balance, time]"`
	Code   string   `yaml:"code" desc:"The bar code: a QR code, Code 128, or none." enum:"qr,code128,none" default:"qr"`
	CodeOf string   `yaml:"code_of" desc:"What the bar code says: the id of the weighing, or of the sample; an entry without a sample then has no code." enum:"id,sample" default:"id"`
}

var labelFields = []string{"weight", "sample", "person", "balance", "time", "lot", "method", "verdicts"}

// Default is a Config with what applies where the file says nothing.
func Default() *Config {
	return &Config{Port: sinks.DefaultLine(), Timeout: strict.Duration(10 * time.Second), Print: Text, PageEnd: "\f",
		Label:  LabelForm{Width: 62, Height: 29, Fields: []string{"weight", "sample", "person", "balance", "time"}, Code: "qr", CodeOf: "id"},
		Choice: format.DefaultChoice(), Coding: text.DefaultCoding()}
}

// queueName is what lp takes for a queue and not for an option.
var queueName = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]{0,126}$`)

// mediaType is a type without parameters (RFC 6838, section 4.2).
var mediaType = regexp.MustCompile(`^[a-z0-9][a-z0-9!#$&^_.+-]*/[a-z0-9][a-z0-9!#$&^_.+-]*$`)

// Check adds every fault to r, but for those of the serial port's settings.
func (c *Config) Check(r *strict.Report) {
	c.checkWay(r)
	if d := c.Timeout.D(); d < time.Second || d > 5*time.Minute {
		r.At("timeout").Fault(d.String()+" is out of range", "1s to 5m")
	}
	if c.Type != "" && !mediaType.MatchString(c.Type) {
		r.At("type").Fault(fmt.Sprintf("%.60q is no media type", c.Type), "such as text/plain")
	}
	if len(c.PageEnd) > 64 {
		r.At("page_end").Fault("is longer than 64 bytes", "a form feed, \"\\f\", or nothing")
	}
	switch c.Print {
	case Text:
		c.Choice.Check(r, format.OneByOne)
		if c.Format == format.NameReport {
			r.At("format").Fault("the file of a report is no text", "print: report, and no format")
		}
	case Label:
		c.checkLabel(r)
	case Report:
		c.checkPages(r, "a report")
	default:
		r.At("print").Fault(fmt.Sprintf("%.40q cannot be printed", c.Print), "text, label or report")
	}
	c.CheckCoding(r)
}

func (c *Config) checkWay(r *strict.Report) {
	keys := map[string]string{"queue": Spooler, "server": Spooler, "url": IPP, "ca": IPP, "address": Raw, "port": Serial}
	for _, key := range []string{"queue", "server", "url", "ca", "address", "port"} {
		if c.Way != "" && keys[key] != c.Way && r.At(key).Written() {
			r.At(key).Fault("is for way: "+keys[key], "leave it out")
		}
	}
	switch c.Way {
	case Spooler:
		if !queueName.MatchString(c.Queue) {
			r.At("queue").Fault(fmt.Sprintf("%.80q is no name of a queue", c.Queue), "a name as lpstat -e shows it")
		}
		if c.Server != "" {
			c.checkHost(r.At("server"), c.Server)
		}
	case IPP:
		c.checkURL(r.At("url"))
		if c.CA != "" && !filepath.IsAbs(c.CA) {
			r.At("ca").Fault(fmt.Sprintf("%q is not absolute; the daemon does not run in this folder", c.CA), "/absolute/path.pem")
		}
	case Raw:
		c.checkHost(r.At("address"), c.Address)
	case Serial:
		if c.Port.Address == "" {
			r.At("port").Fault("the serial port is missing", "port: {address: /dev/serial/by-id/…}")
		}
	default:
		r.At("way").Fault(fmt.Sprintf("%.40q is no way to a printer", c.Way), "spooler, ipp, raw or serial")
	}
}

func (c *Config) checkHost(r *strict.Report, place string) {
	host, port, err := net.SplitHostPort(place)
	if err != nil || host == "" || port == "" || strings.HasPrefix(host, "-") {
		r.Fault(fmt.Sprintf("%.80q is no host with a port", place), "host:9100")
		return
	}
	c.checkOpen(r, host)
}

func (c *Config) checkOpen(r *strict.Report, host string) {
	ip := net.ParseIP(host)
	if !c.Insecure && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		r.Fault(fmt.Sprintf("the way to %s is not encrypted: anyone on it could read and change what is printed", host),
			"ipps://, or insecure: true if you accept that")
	}
}

func (c *Config) checkURL(r *strict.Report) {
	u, err := url.Parse(c.URL)
	switch {
	case err != nil || c.URL == "":
		r.Fault("is no address of a printer", "ipps://host/printers/name")
	case u.User != nil:
		r.Fault("holds a user name or a password, which this way does not take", "the address without it")
	case u.Scheme != "ipp" && u.Scheme != "ipps":
		r.Fault(fmt.Sprintf("the scheme %.20q is not one of printers", u.Scheme), "ipp:// or ipps://")
	case u.Hostname() == "":
		r.Fault("names no host", "ipps://host/printers/name")
	case u.Scheme == "ipp":
		c.checkOpen(r, u.Hostname())
	}
}

// checkPages adds the faults of what is printed as a PDF.
func (c *Config) checkPages(r *strict.Report, what string) {
	if c.Way == Raw || c.Way == Serial {
		r.At("print").Fault(what+" is a PDF, which few printers take as it is: a spooler turns it into what the printer speaks", "way: spooler or ipp, or print: text")
	}
	if r.At("format").Written() {
		r.At("format").Fault("has no effect on "+what, "label, or print: text")
	}
}

func (c *Config) checkLabel(r *strict.Report) {
	c.checkPages(r, "a label")
	at := r.At("label")
	if c.Label.Width < 15 || c.Label.Width > 300 {
		at.At("width").Fault(fmt.Sprintf("%d mm is out of range", c.Label.Width), "15 to 300")
	}
	if c.Label.Height < 10 || c.Label.Height > 300 {
		at.At("height").Fault(fmt.Sprintf("%d mm is out of range", c.Label.Height), "10 to 300")
	}
	for i, f := range c.Label.Fields {
		if !slices.Contains(labelFields, f) || slices.Index(c.Label.Fields, f) < i {
			at.At("fields").Index(i).Fault(fmt.Sprintf("%.40q is no field, or stands twice", f), strings.Join(labelFields, ", "))
		}
	}
	if !slices.Contains([]string{"qr", "code128", "none"}, c.Label.Code) {
		at.At("code").Fault(fmt.Sprintf("%.40q is no bar code here", c.Label.Code), "qr, code128 or none")
	}
	if c.Label.CodeOf != "id" && c.Label.CodeOf != "sample" {
		at.At("code_of").Fault(fmt.Sprintf("%.40q cannot be a bar code", c.Label.CodeOf), "id or sample")
	}
}

// Carries says which kinds of entry can be printed.
func (c *Config) Carries(k record.Kind) bool {
	switch c.Print {
	case Label:
		return format.HasCSV(k)
	case Report:
		return k == record.KindReportIssued
	}
	return c.Choice.Carries(k)
}

// Serial is the printer's port, where it has one.
func (c *Config) Serial() (key string, line *sinks.SerialLine) {
	if c.Way != Serial {
		return "port", nil
	}
	return "port", &c.Port
}

// Destination is the printer.
func (c *Config) Destination() string { return "print " + c.where() }

func (c *Config) where() string {
	switch c.Way {
	case Spooler:
		if c.Server != "" {
			return "by the spooler at " + strings.ToLower(c.Server) + ", queue " + c.Queue
		}
		return "by the spooler, queue " + c.Queue
	case IPP:
		u, err := url.Parse(c.URL)
		if err != nil {
			return "by ipp, at an address that is none"
		}
		return "by " + strings.ToLower(u.Scheme) + " at " + strings.ToLower(u.Host) + u.EscapedPath()
	case Raw:
		return "at " + strings.ToLower(c.Address)
	}
	return "at the serial port " + c.Port.Address
}

// Preview shows what would be printed for one entry.
func (c *Config) Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error) {
	m, err := newMaker(c, env)
	if err != nil {
		return sinks.Shown{}, err
	}
	doc, err := m.make(e, false)
	if err != nil {
		return sinks.Shown{}, err
	}
	return sinks.Shown{To: c.where(), Type: c.mediaType(), Body: doc}, nil
}

func (c *Config) mediaType() string {
	switch {
	case c.Type != "":
		return c.Type
	case c.Print == Label, c.Print == Report:
		return "application/pdf"
	}
	return "text/plain"
}

// Open makes the sink.
func (c *Config) Open(id string, env sinks.Env) (sinks.Sink, error) { return New(*c, id, env) }
