package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

type weightsShow struct {
	hostFlags
	ID   string `arg:"" help:"Id of the weight."`
	JSON bool   `help:"Print it as one JSON object."`
}

func (c weightsShow) Run(ctx context.Context, s streams) error {
	var w console.WeightView
	if err := c.askFitness(ctx, http.MethodGet, "reference-weights/"+pathPart(c.ID), nil, &w); err != nil {
		return err
	}
	return printWeight(s.out, w, c.JSON)
}

// printWeight prints all that is known of a weight; what is not known is left out.
func printWeight(out io.Writer, w console.WeightView, asJSON bool) error {
	if asJSON {
		return json.NewEncoder(out).Encode(w)
	}
	all := known{out: out, wide: 20}
	line := all.line
	line("id", w.ID)
	line("set", w.Set)
	line("serial", w.Serial)
	line("nominal", string(w.Nominal))
	line("class", w.Class)
	line("own limit", string(w.Own))
	line("conventional mass", string(w.Conventional))
	if w.Uncertainty != "" {
		line("uncertainty", string(w.Uncertainty)+", k = "+w.CoverageFactor)
	}
	if w.Density != "" {
		line("density", strings.TrimSuffix(w.Density+" kg/m³, ± "+w.DensityUncertainty, ", ± "))
	}
	if c := w.Certificate; c != nil {
		line("certificate", c.Number)
		line("laboratory", c.By)
		line("date", c.Date)
		line("due", c.Due)
		if c.File != nil {
			line("file", fmt.Sprintf("%s, %d bytes, SHA-256 %s", c.File.Name, c.File.Bytes, c.File.SHA256))
		}
	}
	if w.Withdrawn {
		line("withdrawn", "it is not to be used again")
	}
	line("not to be relied on", w.Unfit)
	line("entry", w.Entry+", "+stampText(w.Since)+", "+actorText(w.By))
	return all.err()
}

// actorText names somebody for people.
func actorText(a record.Actor) string {
	if a.Name != "" && a.Name != a.ID {
		return a.Name + " (" + a.ID + ")"
	}
	return a.ID
}

type weightsRegister struct {
	hostFlags
	ID                 string  `arg:"" help:"The lab's own id of the weight, as it stands on the label: f1-3-200a."`
	Set                *string `placeholder:"TEXT" help:"The set that it belongs to."`
	Serial             *string `placeholder:"TEXT" help:"Serial number of the weight or its set, as marked."`
	Nominal            *string `placeholder:"MASS" help:"Nominal mass with its unit: '200 g'. A new weight needs it, and it never changes."`
	Class              *string `placeholder:"CLASS" help:"Accuracy class: E1 to M3 (OIML R 111-1), or 'ASTM 0' to 'ASTM 4'."`
	Density            *string `placeholder:"DECIMAL" help:"Density of the material in kg/m³."`
	DensityUncertainty *string `placeholder:"DECIMAL" help:"Its expanded uncertainty in kg/m³, k = 2."`
	Number             *string `placeholder:"TEXT" help:"Number of the certificate."`
	Laboratory         *string `placeholder:"TEXT" help:"Who issued the certificate."`
	Date               *string `placeholder:"YYYY-MM-DD" help:"Date of the certificate."`
	Due                *string `placeholder:"YYYY-MM-DD" help:"The last day on which the certificate is relied on."`
	Conventional       *string `placeholder:"MASS" help:"Conventional mass, as the certificate says it: '200.00012 g'."`
	Uncertainty        *string `placeholder:"MASS" help:"Its expanded uncertainty."`
	Coverage           *string `placeholder:"DECIMAL" help:"The coverage factor k of the uncertainty."`
	Certificate        string  `placeholder:"FILE" help:"The certificate itself, a PDF, PNG or JPEG of at most 10 MiB. Its SHA-256 goes into the journal."`
	Reason             string  `placeholder:"TEXT" help:"Why what is known of it changes; needed where the weight is registered already."`
	By                 string  `placeholder:"NAME" help:"Who says so; by default this system's user."`
	JSON               bool    `help:"Print what is known of it now as one JSON object."`
}

// Help is what the command tells beyond its one line.
func (weightsRegister) Help() string {
	return `Of a weight that is registered, what you do not say stays as it is, and an empty text takes it out. A certificate of another number begins anew: its
laboratory, dates, conventional mass, uncertainty and k are those that you say with it, and none of the one before.

Every change is an entry of the journal, with what was known before. The file is kept beside the journal under its SHA-256, and backups
carry it. See: weighpost help reference-weights`
}

func (c weightsRegister) Run(ctx context.Context, s streams) error {
	var file []byte
	var kind string
	if c.Certificate != "" {
		var err error
		if file, kind, err = readCertificate(c.Certificate); err != nil {
			return err
		}
	}
	var known console.WeightView
	err := c.askFitness(ctx, http.MethodGet, "reference-weights/"+pathPart(c.ID), nil, &known)
	fresh := refused(err, http.StatusNotFound)
	if err != nil && !fresh {
		return err
	}
	if fresh && c.Nominal == nil {
		return fmt.Errorf("no weight %s is registered yet, and a new one needs its nominal mass: --nominal '200 g'", plain(c.ID))
	}
	var w console.WeightView
	if order, says := c.order(known); says || fresh {
		if err := c.askFitness(ctx, http.MethodPut, "reference-weights/"+pathPart(c.ID), order, &w); err != nil {
			return err
		}
	} else if file == nil {
		return errors.New("nothing is said of the weight: see weighpost weights register --help")
	}
	if file != nil {
		w = console.WeightView{} // an answer leaves out what is not known
		path := "/api/v1/reference-weights/" + pathPart(c.ID) + "/file?" + query("name", filepath.Base(c.Certificate), "reason", c.Reason, "by", by(c.By))
		if err := c.act(ctx, deed{Method: http.MethodPut, Path: path, File: file, Type: kind, Answer: &w, Here: noFitnessHere}); err != nil {
			return fmt.Errorf("what else was said of the weight is registered, and the file of its certificate was not attached: %w", err)
		}
	}
	return printWeight(s.out, w, c.JSON)
}

// order is what is to be known of the weight from now on; says is false where no flag says anything.
func (c weightsRegister) order(known console.WeightView) (o console.WeightOrder, says bool) {
	was := known.ReferenceWeight
	o = console.WeightOrder{Set: was.Set, Serial: was.Serial, Nominal: was.Nominal, Class: was.Class, Density: was.Density, DensityUncertainty: was.DensityUncertainty,
		Reason: c.Reason, By: by(c.By)}
	cert := record.Certificate{}
	if was.Certificate != nil {
		cert = *was.Certificate
		cert.File = nil // it stays of itself while the number does
	}
	if c.Number == nil || *c.Number == cert.Number {
		o.Conventional, o.Uncertainty, o.CoverageFactor = was.Conventional, was.Uncertainty, was.CoverageFactor
	} else {
		cert = record.Certificate{}
	}
	for _, one := range []struct{ said, to *string }{{c.Set, &o.Set}, {c.Serial, &o.Serial}, {c.Nominal, (*string)(&o.Nominal)}, {c.Class, &o.Class}, {c.Density, &o.Density},
		{c.DensityUncertainty, &o.DensityUncertainty}, {c.Number, &cert.Number}, {c.Laboratory, &cert.By}, {c.Date, &cert.Date}, {c.Due, &cert.Due},
		{c.Conventional, (*string)(&o.Conventional)}, {c.Uncertainty, (*string)(&o.Uncertainty)}, {c.Coverage, &o.CoverageFactor}} {
		if one.said != nil {
			*one.to, says = strings.TrimSpace(*one.said), true
		}
	}
	if cert != (record.Certificate{}) {
		o.Certificate = &cert
	}
	return o, says
}

// mostCertificate is how many bytes the file of a certificate may have.
const mostCertificate = 10 << 20

// readCertificate reads a file that is kept, and says what kind it is by its bytes.
func readCertificate(name string) (content []byte, kind string, err error) {
	info, err := os.Stat(name) // before it is opened: opening a pipe would wait
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is no plain file", name)
	}
	var f *os.File
	if err == nil {
		f, err = os.Open(name)
	}
	if err != nil {
		return nil, "", fmt.Errorf("the certificate cannot be read: %w", err)
	}
	defer f.Close()
	content, err = io.ReadAll(io.LimitReader(f, mostCertificate+1))
	if err != nil {
		return nil, "", fmt.Errorf("the certificate cannot be read: %w", err)
	}
	if len(content) > mostCertificate {
		return nil, "", fmt.Errorf("%s has more than %d bytes: no larger file is kept", name, mostCertificate)
	}
	switch kind = http.DetectContentType(content); kind {
	case "application/pdf", "image/png", "image/jpeg":
		return content, kind, nil
	}
	return nil, "", fmt.Errorf("%s is no PDF, PNG or JPEG by its bytes: the certificate is kept as one of these", name)
}
