package main

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"weighpost/gateway"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
)

type deliveriesPreview struct {
	hostFlags
	Sink     string `required:"" placeholder:"ID" help:"Id of the sink."`
	ID       string `arg:"" help:"The entry: its id (site/incarnation/balance/number), or its place in the journal."`
	Segments string `placeholder:"DIR" help:"A folder with copies of sealed segments, for those that the journal's own folder lacks; used where no daemon runs."`
	Body     bool   `help:"Print the body alone, byte for byte."`
	JSON     bool   `help:"Print it as one JSON object, with the body in base64."`
}

// Help is what the command tells beyond its one line.
func (deliveriesPreview) Help() string {
	return `Shows exactly what a destination would get for one entry: where it goes, what goes beside it, and the body. Nothing is sent and nobody
is asked; secrets are left out. While a daemon runs it answers, by the configuration that it has; else the configuration and the
journal are read, and nothing in them is changed. A body that is no text is shown in hex.`
}

func (c deliveriesPreview) Run(ctx context.Context, s streams) error {
	p, err := c.ask(ctx, s)
	if err != nil {
		return err
	}
	if c.JSON {
		if err := json.NewEncoder(s.out).Encode(p); err != nil {
			return err
		}
	}
	if p.Refused != "" {
		return fmt.Errorf("entry %s cannot be sent to sink %s: %s", plain(p.Entry), plain(p.Sink), plain(p.Refused))
	}
	switch {
	case c.JSON:
		return nil
	case c.Body:
		_, err := s.out.Write(p.Body)
		return err
	}
	return c.show(s, p)
}

// ask has the daemon show it, or where none runs shows it by the configuration and the journal as they are in their files.
func (c deliveriesPreview) ask(ctx context.Context, s streams) (p console.DeliveryPreview, err error) {
	cfg, err := config.LoadFile(c.Config)
	if err != nil {
		return p, fmt.Errorf("the configuration %s has mistakes (weighpost validate config tells them): %w", c.Config, err)
	}
	if journal.InUse(cfg.Journal.Folder) {
		path := "/api/v1/deliveries/" + pathPart(c.Sink) + "/preview?id=" + url.QueryEscape(c.ID)
		return p, deed{Method: http.MethodGet, Path: path, Answer: &p}.send(ctx, cfg)
	}
	var ids []string
	for _, one := range cfg.Sinks {
		if one.Delivery.ID != c.Sink {
			ids = append(ids, one.Delivery.ID)
			continue
		}
		e, err := journal.Find(ctx, cfg.Journal.Folder, c.ID, c.Segments, looking(s))
		if err != nil {
			return p, err
		}
		return gateway.PreviewOf(one, cfg.Site, nil, e)
	}
	if len(ids) == 0 {
		return p, errors.New("no sink is configured: nothing is delivered anywhere")
	}
	return p, fmt.Errorf("there is no sink %s. There are: %s", plain(c.Sink), strings.Join(ids, ", "))
}

func (c deliveriesPreview) show(s streams, p console.DeliveryPreview) error {
	if p.NotWanted != "" {
		fmt.Fprintf(s.err, "sink %s does not send this entry by itself: %s\n", plain(p.Sink), plain(p.NotWanted))
	}
	fmt.Fprintf(s.out, "to: %s\n", plain(p.To))
	if p.Type != "" {
		fmt.Fprintf(s.out, "type: %s\n", plain(p.Type))
	}
	for _, a := range p.Attributes {
		fmt.Fprintf(s.out, "%s: %s\n", plain(a.Name), plain(a.Value))
	}
	body := p.Text
	if len(p.Body) > 0 && body == "" {
		body = hex.Dump(p.Body)
	}
	if body != "" && !strings.HasSuffix(body, "\n") {
		body += "\n" // for eyes; --body prints the bytes as they are
	}
	_, err := fmt.Fprintf(s.out, "bytes: %d, sha256 %s\n\n%s", p.Size, p.SHA256, body)
	return err
}
