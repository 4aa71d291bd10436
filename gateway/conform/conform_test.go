package conform

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// small is a description of one route with an answer, a problem, and a stream.
const small = `{"openapi": "3.1.0", "info": {"title": "t", "version": "1"}, "paths": {
"/api/v1/things/{id}": {"get": {"operationId": "get-thing", "parameters": [{"name": "id", "in": "path", "required": true, "schema": {"type": "string"}}],
 "responses": {
  "200": {"description": "OK", "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Thing"}}}},
  "404": {"description": "none", "content": {"application/problem+json": {"schema": {"type": "object", "required": ["title"], "properties": {"title": {"type": "string"}}}}}}}},
 "delete": {"operationId": "end-thing", "parameters": [{"name": "id", "in": "path", "required": true, "schema": {"type": "string"}}],
 "responses": {"204": {"description": "gone"}}}},
"/api/v1/things/stream": {"get": {"operationId": "follow", "responses": {"200": {"description": "OK", "content": {"text/event-stream": {}}}}}}},
"components": {"schemas": {"Thing": {"type": "object", "additionalProperties": false, "required": ["id"],
 "properties": {"id": {"type": "string"}, "weight": {"type": "number", "minimum": 0}, "at": {"type": "string", "format": "date-time"}}}}}}`

// TestWrongAnswersAreCaught answers a request in ways that are described and in ways that are not.
func TestWrongAnswersAreCaught(t *testing.T) {
	const json, problem = "application/json", "application/problem+json"
	for _, c := range []struct {
		name, method, path string
		status             int
		kind, body, says   string
	}{
		{"right", "GET", "things/a", 200, json, `{"id": "a", "weight": 1.5}`, ""},
		{"a problem", "GET", "things/a", 404, problem, `{"title": "none"}`, ""},
		{"nothing to say", "DELETE", "things/a", 204, "", "", ""},
		{"a stream", "GET", "things/stream", 200, "text/event-stream", "data: {\n\n", ""},
		{"no such operation, with a problem", "GET", "others", 404, problem, `{"title": "none"}`, ""},
		{"an unknown member", "GET", "things/a", 200, json, `{"id": "a", "colour": "red"}`, "colour"},
		{"a missing member", "GET", "things/a", 200, json, `{"weight": 1}`, "id"},
		{"the wrong type", "GET", "things/a", 200, json, `{"id": 7}`, "string"},
		{"outside the limits", "GET", "things/a", 200, json, `{"id": "a", "weight": -1}`, "minimum"},
		{"no JSON", "GET", "things/a", 200, json, `{"id": `, ""},
		{"nothing where something is due", "GET", "things/a", 200, json, "", "nothing comes"},
		{"the wrong status", "GET", "things/a", 201, json, `{"id": "a"}`, "no answer 201"},
		{"the wrong media type", "GET", "things/a", 200, "text/plain", "a", "text/plain"},
		{"a problem of another media type", "GET", "things/a", 404, json, `{"title": "none"}`, "application/problem+json"},
		{"a wrong problem", "GET", "things/a", 404, problem, `{"detail": "none"}`, "title"},
		{"a stream that is none", "GET", "things/stream", 200, json, `[]`, "text/event-stream"},
		{"an operation that is not described", "GET", "others", 200, json, `{}`, "no operation"},
		{"a method that is not described", "PUT", "things/a", 200, json, `{}`, "no operation"},
	} {
		t.Run(c.name, func(t *testing.T) {
			faults, judged := judgeOne(t, c.method, c.path, c.status, c.kind, c.body)
			wrong := c.says != "" || c.name == "no JSON"
			if wrong != (len(faults) > 0) || !strings.Contains(strings.Join(faults, ""), c.says) {
				t.Errorf("%d judged: %q", judged, faults)
			}
		})
	}
}

// judgeOne has one answer judged, and sees to it that it comes through unchanged.
func judgeOne(t *testing.T, method, path string, status int, kind, body string) ([]string, int) {
	t.Helper()
	asked := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == document {
			asked++
			fmt.Fprint(w, small)
			return
		}
		if kind != "" {
			w.Header().Set("Content-Type", kind)
		}
		w.WriteHeader(status)
		fmt.Fprint(w, body)
	}))
	defer server.Close()
	j := New(http.DefaultTransport)
	client := &http.Client{Transport: j}
	for range 2 {
		req, err := http.NewRequestWithContext(t.Context(), method, server.URL+"/api/v1/"+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		got, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || string(got) != body || resp.StatusCode != status {
			t.Errorf("%d %q %v came through", resp.StatusCode, got, err)
		}
	}
	if asked != 1 {
		t.Errorf("the description was asked for %d times", asked)
	}
	return j.Faults()
}

// TestAWrongDocumentIsCaught: what is no OpenAPI 3.1 is not taken for a description.
func TestAWrongDocumentIsCaught(t *testing.T) {
	if err := Document([]byte(small)); err != nil {
		t.Error(err)
	}
	for what, text := range map[string]string{
		"no responses' description":   strings.Replace(small, `"description": "OK", `, "", 1),
		"a reference to nothing":      strings.Replace(small, "schemas/Thing\"", "schemas/Nothing\"", 1),
		"a parameter without a place": strings.Replace(small, `"in": "path", `, "", 1),
		"no info":                     strings.Replace(small, `"info": {"title": "t", "version": "1"}, `, "", 1),
		"no JSON":                     small[:100],
	} {
		if err := Document([]byte(text)); err == nil {
			t.Errorf("%s is taken", what)
		}
	}
}

// tests stands for a package's tests.
type tests func() int

func (f tests) Run() int { return f() }

// TestARunWithAWrongAnswerFails: the tests pass, and the run does not.
func TestARunWithAWrongAnswerFails(t *testing.T) {
	for _, c := range []struct {
		body        string
		least, code int
	}{
		{`{"id": "a"}`, 0, 0}, {`{"id": "a"}`, 1, 0}, {`{"id": 7}`, 0, 1},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			fmt.Fprint(w, map[bool]string{true: small, false: c.body}[r.URL.Path == document])
		}))
		code := Main{Least: c.least, M: tests(func() int {
			for _, client := range []*http.Client{http.DefaultClient, {Transport: Through(http.DefaultTransport)}} {
				resp, err := client.Get(server.URL + "/api/v1/things/a")
				if err != nil {
					t.Fatal(err)
				}
				resp.Body.Close()
			}
			return 0
		})}.Run()
		server.Close()
		if code != c.code {
			t.Errorf("%+v: %d", c, code)
		}
	}
	if http.DefaultClient.Transport != nil || running != nil {
		t.Error("the judge stays after the tests")
	}
}
