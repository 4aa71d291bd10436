package gateway

import (
	"archive/zip"
	"context"
	"encoding/json"
	"io"
	"net/url"
	"slices"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/export"
	"weighpost/gateway/index"
)

// The parameters of a request for an export that are not the filter's.
const (
	askFormat      = "format"
	askSpreadsheet = "spreadsheet"
	askPack        = "pack"
)

// ExportParameters lists what a request for an export may say: the filter, by the names that the commands have too, and the form.
func (g *Gateway) ExportParameters() []console.ExportParameter {
	list := []console.ExportParameter{
		{Name: askFormat, About: "The form of the file.", Required: true, Values: export.Formats()},
		{Name: askSpreadsheet, About: "true: CSV for spreadsheets, with a mark of the encoding in front and an apostrophe before text that would run as a formula.",
			Values: []string{"true", "false"}},
		{Name: askPack, About: "zip: the file and its manifest in one archive.", Values: []string{"zip"}},
	}
	return append(list, filterParameters()...)
}

// Export reads a request for an export.
func (g *Gateway) Export(_ context.Context, request url.Values) (console.Download, error) {
	refused := func(why string) (console.Download, error) {
		return console.Download{}, &console.ExportRefused{Why: why}
	}
	for _, name := range []string{askFormat, askSpreadsheet, askPack} {
		if len(request[name]) > 1 {
			return refused(name + " is given more than once: give it once")
		}
	}
	format, err := export.ParseFormat(request.Get(askFormat))
	if err != nil {
		return refused(err.Error())
	}
	r := export.Request{Format: format, Made: time.Now(), Version: Version()}
	switch v := request.Get(askSpreadsheet); {
	case v == "true" && format == export.CSV:
		r.Spreadsheet = true
	case v != "" && v != "false":
		return refused("spreadsheet is true or false, and true only with the format csv")
	}
	pack := request.Get(askPack)
	if !slices.Contains([]string{"", "zip"}, pack) {
		return refused("pack is zip, or left out")
	}
	if r.Filter, err = index.ParseQuery(request, askFormat, askSpreadsheet, askPack); err != nil {
		return refused(err.Error())
	}
	name := g.now.Load().cfg.Site + "-audit-trail-" + r.Made.UTC().Format("20060102T150405Z") + "." + string(format)
	if pack == "zip" {
		return console.Download{Name: name + ".zip", MediaType: "application/zip", Write: func(ctx context.Context, w io.Writer) ([]byte, string, error) {
			return g.packed(ctx, w, name, r)
		}}, nil
	}
	return console.Download{Name: name, MediaType: format.MediaType(), Write: func(ctx context.Context, w io.Writer) ([]byte, string, error) {
		return g.exported(ctx, w, name, r)
	}}, nil
}

// exported writes an export of the journal as it is now, and gives its manifest and SHA-256.
func (g *Gateway) exported(ctx context.Context, w io.Writer, name string, r export.Request) ([]byte, string, error) {
	src, err := export.Live(ctx, g.journal)
	if err != nil {
		return nil, "", err
	}
	m, err := export.Write(ctx, w, src, r)
	if err != nil {
		return nil, "", err
	}
	m.File = name
	b, err := json.Marshal(m)
	return b, m.SHA256, err
}

// packed writes an archive with an export and its manifest. The manifest comes last: an archive without it is not whole.
func (g *Gateway) packed(ctx context.Context, w io.Writer, name string, r export.Request) ([]byte, string, error) {
	z := zip.NewWriter(w)
	part := func(name string) (io.Writer, error) {
		return z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: r.Made.UTC()})
	}
	f, err := part(name)
	if err != nil {
		return nil, "", err
	}
	manifest, _, err := g.exported(ctx, f, name, r)
	if err != nil {
		return nil, "", err
	}
	if f, err = part(name + export.ManifestSuffix); err != nil {
		return nil, "", err
	}
	if _, err := f.Write(append(manifest, '\n')); err != nil {
		return nil, "", err
	}
	// The hash in the manifest is that of the file, not of the archive.
	return manifest, "", z.Close()
}
