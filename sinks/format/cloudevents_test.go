package format

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/cloudevents/sdk-go/v2/binding"
	"github.com/cloudevents/sdk-go/v2/event"
	cehttp "github.com/cloudevents/sdk-go/v2/protocol/http"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

const eventKeys = "format: cloudevents\ncloudevents: {source: \"https://lab.example/north\", type_prefix: example.lab, schemas: \"https://lab.example/schemas/\", mode: "

// TestTheCloudEventsSDKReadsOurEvents: structured, binary and batched, over HTTP's own messages, by the SDK of the project, which also
// validates each. 1,000 weighings come out with digits, unit, sign and time as they were.
func TestTheCloudEventsSDKReadsOurEvents(t *testing.T) {
	entries := sinktest.Weighings(1000, 9)
	inBody, beside := open(t, eventKeys+"structured}", OneByOne), open(t, eventKeys+"binary}", OneByOne)
	var batch bytes.Buffer
	stream, err := inBody.Stream(&batch)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		for mode, f := range map[string]Format{"structured": inBody, "binary": beside} {
			p, err := f.Entry(e)
			if err != nil {
				t.Fatal(err)
			}
			if mode == "binary" && !bytes.Equal(p.Body, e.JSON) {
				t.Fatalf("%s: the body is not the entry", e.ID)
			}
			got, err := overHTTP(p)
			if err != nil {
				t.Fatalf("%s, %s: %v", e.ID, mode, err)
			}
			sameEvent(t, got, e)
		}
		if err := stream.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := stream.Close(); err != nil {
		t.Fatal(err)
	}
	var all []event.Event
	if err := json.Unmarshal(batch.Bytes(), &all); err != nil || len(all) != len(entries) || inBody.Type() != "application/cloudevents-batch+json" {
		t.Fatalf("%d events of type %s, %v", len(all), inBody.Type(), err)
	}
	for i := range all {
		sameEvent(t, &all[i], entries[i])
	}
}

// overHTTP puts a payload into an HTTP request as a transport does, and has the SDK make an event of it.
func overHTTP(p Payload) (*event.Event, error) {
	r, err := http.NewRequestWithContext(context.Background(), http.MethodPost, "http://localhost/", bytes.NewReader(p.Body))
	if err != nil {
		return nil, err
	}
	r.Header.Set("Content-Type", p.Type)
	for _, a := range p.Headers() {
		r.Header.Set(a.Name, a.Value)
	}
	return binding.ToEvent(context.Background(), cehttp.NewMessageFromHttpRequest(r))
}

func sameEvent(t *testing.T, got *event.Event, e record.Entry) {
	t.Helper()
	if err := got.Validate(); err != nil {
		t.Fatalf("%s: %v", e.ID, err)
	}
	want := sinktest.FactOf(t, e)
	at, err := time.Parse(time.RFC3339Nano, want.UTC)
	if err != nil {
		t.Fatal(err)
	}
	extensions := got.Extensions()
	if got.ID() != want.ID || got.Source() != "https://lab.example/north" || got.Type() != "example.lab.weighing.v1" || got.Subject() != want.Balance ||
		!got.Time().Equal(at) || got.DataContentType() != "application/json" || got.DataSchema() != "https://lab.example/schemas/weighing.schema.json" ||
		extensions["partitionkey"] != want.Balance || len(extensions["sequence"].(string)) != 20 {
		t.Fatalf("%s:\n%s", e.ID, got)
	}
	facts, err := sinktest.ParseJSON(sinktest.Arrival{Body: got.Data()})
	if err != nil || facts[0] != want {
		t.Fatalf("%s: %+v, %v", e.ID, facts, err)
	}
}

// TestDataOfAnEventIsTheEntryByteForByte, so that its hash can be proved.
func TestDataOfAnEventIsTheEntryByteForByte(t *testing.T) {
	e := sinktest.Weighings(1, 1)[0]
	p, err := open(t, eventKeys+"structured}", OneByOne).Entry(e)
	if err != nil {
		t.Fatal(err)
	}
	var doc struct{ Data json.RawMessage }
	if err := json.Unmarshal(p.Body, &doc); err != nil || !bytes.Equal(doc.Data, e.JSON) {
		t.Errorf("%s, %v", doc.Data, err)
	}
}

func TestEventsOfEveryKind(t *testing.T) {
	f := open(t, eventKeys+"binary}", OneByOne)
	for _, k := range record.Kinds() {
		e := record.Entry{Seq: 7, Kind: k, ID: "north/7qx3/@/000007", JSON: []byte(`{"to":{"utc":"2026-11-25T10:04:05.123456Z"}}`)}
		p, err := f.Entry(e)
		if err != nil {
			t.Fatal(err)
		}
		got, err := overHTTP(p)
		if err != nil || got.Validate() != nil || got.Type() != "example.lab."+string(k)+".v1" || got.Subject() != "" || got.Time().IsZero() {
			t.Errorf("%s: %v %v", k, got, err)
		}
	}
	var refused NotHeld
	if _, err := f.Entry(record.Entry{Kind: record.KindWeighing, ID: "a\nb", JSON: []byte("{}")}); !errors.As(err, &refused) {
		t.Errorf("an id with a line end was taken: %v", err)
	}
}

func TestHeadersAreEncoded(t *testing.T) {
	for in, want := range map[string]string{"b-12": "b-12", "a b%\"é\x7f": "a%20b%25%22%C3%A9%7F"} {
		if got := headerValue(in); got != want {
			t.Errorf("%q became %q", in, got)
		}
	}
}

func TestFaultsOfCloudEvents(t *testing.T) {
	for text, want := range map[string]string{
		"{type_prefix: example.lab}":                                        "cloudevents.source: the source is missing",
		"{source: north, type_prefix: example.lab}":                         `cloudevents.source: "north" is no absolute URI`,
		"{source: \"https://a b\", type_prefix: example.lab}":               "is no absolute URI",
		"{source: \"https://lab.example\"}":                                 "cloudevents.type_prefix: the prefix of the types is missing",
		"{source: \"https://lab.example\", type_prefix: Lab}":               `cloudevents.type_prefix: "Lab" is no domain's name backwards`,
		"{source: \"urn:x:y\", type_prefix: a.b, schemas: \"https://a/b\"}": "cloudevents.schemas: ",
		"{source: \"urn:x:y\", type_prefix: a.b, mode: batch}":              "cloudevents.mode: ",
	} {
		if _, faults := load("format: cloudevents\ncloudevents: "+text, OneByOne); len(faults) != 1 || !strings.Contains(faults.Error(), want) {
			t.Errorf("%s:\n got  %v\n want %s", text, faults, want)
		}
	}
	if _, faults := load(eventKeys+"binary}", Together); !strings.Contains(faults.Error(), "cloudevents.mode: binary puts the attributes of one event beside the body") {
		t.Error(faults)
	}
}
