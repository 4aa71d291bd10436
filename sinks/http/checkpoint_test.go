package http

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

const signed = "weighpost/north-lab/7qx3a\n12\nUEivNRtsR5P7uf2rDDufwUzoOIijro6DPxn8aZMqjw4=\n\n— weighpost/north-lab/7qx3a 2xgws/LaXCc=\n"

// posts is a server that takes checkpoints.
type posts struct {
	answer int
	got    []*http.Request
	bodies []string
}

func (p *posts) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, _ := io.ReadAll(req.Body)
	p.got, p.bodies = append(p.got, req), append(p.bodies, string(body))
	w.WriteHeader(p.answer)
}

func TestACheckpointIsPostedExactlyAsItIs(t *testing.T) {
	t.Setenv("WEIGHPOST_TEST_TOKEN", "s3cret")
	p := &posts{answer: http.StatusNoContent}
	server := httptest.NewServer(p)
	defer server.Close()
	other := httptest.NewServer(p)
	defer other.Close()
	for _, where := range []string{server.URL, other.URL} {
		c := *Default()
		c.URL, c.Checkpoints = server.URL+"/weighings/{id}", where+"/checkpoints"
		c.Bearer = secret(t, "env:WEIGHPOST_TEST_TOKEN")
		sink, err := c.Open("lake", sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		if err := sink.(sinks.Checkpointer).Checkpoint(context.Background(), []byte(signed)); err != nil {
			t.Fatal(err)
		}
		if err := sink.Close(); err != nil {
			t.Error(err)
		}
	}
	for i, want := range []string{"Bearer s3cret", ""} {
		req := p.got[i]
		if p.bodies[i] != signed || req.Method != http.MethodPost || req.URL.Path != "/checkpoints" ||
			req.Header.Get("Content-Type") != "text/plain; charset=utf-8" || req.Header.Get("Authorization") != want {
			t.Errorf("%s %s %v %q", req.Method, req.URL, req.Header, p.bodies[i])
		}
	}
	if len(p.got) != 2 {
		t.Errorf("%d requests", len(p.got))
	}
}

func TestWhatTheServerSaysOfACheckpointIsToldOn(t *testing.T) {
	p := &posts{answer: http.StatusForbidden}
	server := httptest.NewServer(p)
	defer server.Close()
	c := *Default()
	c.URL, c.Checkpoints = server.URL+"/weighings", server.URL+"/checkpoints"
	sink, err := c.Open("lake", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	defer sink.Close()
	for _, status := range []int{403, 422, 500, 503, 302} {
		p.answer = status
		if err := sink.(sinks.Checkpointer).Checkpoint(context.Background(), []byte(signed)); err == nil {
			t.Errorf("after %d it counts as taken", status)
		}
	}
	p.answer = http.StatusOK
	if err := sink.(sinks.Checkpointer).Checkpoint(context.Background(), []byte(signed)); err != nil {
		t.Errorf("and then it does not work any more: %v", err)
	}
}

func TestCheckpointsGoNowhereUnlessAsked(t *testing.T) {
	c := *Default()
	c.URL = "https://lake.example/weighings"
	sink, err := c.Open("lake", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := sink.(sinks.Checkpointer); ok {
		t.Error("checkpoints would be sent to an address that nobody gave")
	}
	for bad, want := range map[string]string{
		"https://lake.example/{id}": "holds {id}", "http://lake.example/c": "would not be encrypted", "lake": "is not known",
		"https://u:p@lake.example/": "user name or a password",
	} {
		c.Checkpoints = bad
		r := strict.NewReport("lake.yaml")
		c.Check(r)
		if text := r.Faults().Error(); !strings.Contains(text, want) {
			t.Errorf("%s: %s", bad, text)
		}
	}
}
