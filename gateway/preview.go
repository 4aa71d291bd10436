package gateway

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Preview shows what a sink would send for an entry.
func (g *Gateway) Preview(ctx context.Context, id, entry string) (console.DeliveryPreview, error) {
	s, err := g.sinkOf(id)
	if err != nil {
		return console.DeliveryPreview{}, err
	}
	find := g.findEntry
	if seq, err := strconv.ParseUint(entry, 10, 63); err == nil && seq > 0 && seq <= g.journal.Head() {
		find = func(ctx context.Context, _ string) (record.Entry, error) { return g.entryAt(ctx, seq) }
	}
	e, err := find(ctx, entry)
	if err != nil {
		return console.DeliveryPreview{}, err
	}
	return PreviewOf(s.cfg, g.now.Load().cfg.Site, g.reportFile, e)
}

// PreviewOf shows what a sink of this configuration would send for an entry. It asks nobody and touches nothing but the
// files of reports, which reports gives; nil: they are not to be had. The error is a
// *record.RequestRefused where sinks of this kind cannot show it, or it is too long to be shown.
func PreviewOf(cfg config.Sink, site string, reports func(sum string) ([]byte, error), e record.Entry) (console.DeliveryPreview, error) {
	p := console.DeliveryPreview{Sink: cfg.Delivery.ID, Kind: cfg.Kind, Entry: e.ID, Seq: e.Seq, Attributes: []console.PreviewPair{}, Body: []byte{}}
	if p.NotWanted = cfg.Delivery.Unwanted(e); cfg.Delivery.Holds(e) {
		if p.NotWanted = "It holds weighings and results back until somebody releases them."; deliver.HeldAsUnfit(e) {
			p.NotWanted = "Its balance was out of service: it is held back until somebody releases it."
		}
	}
	shown, err := cfg.Preview(sinks.Env{Site: site, Reports: reports}, e)
	switch {
	case errors.Is(err, config.ErrNoPreview):
		return p, &record.RequestRefused{Why: fmt.Sprintf("sink %s is of the kind %s, and %s", p.Sink, p.Kind, err.Error())}
	case err != nil:
		p.Refused = err.Error()
		return p, nil
	case len(shown.Body) > console.MostPreviewed:
		return p, &record.RequestRefused{Why: fmt.Sprintf("what sink %s would send has %d bytes, which is too long to be shown", p.Sink, len(shown.Body))}
	}
	for _, a := range shown.Attributes {
		p.Attributes = append(p.Attributes, console.PreviewPair{Name: a.Name, Value: a.Value})
	}
	sum := sha256.Sum256(shown.Body)
	p.To, p.Type, p.Size, p.SHA256, p.Body = shown.To, shown.Type, len(shown.Body), hex.EncodeToString(sum[:]), append(p.Body, shown.Body...)
	if text, ok := console.BodyText(shown.Body); ok {
		p.Text = text
	}
	return p, nil
}
