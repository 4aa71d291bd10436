package console

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"weighpost/gateway/conform"
)

func unmarshal(t *testing.T, text string) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	return v
}

// description is what a running console says of itself.
func description(t *testing.T, h *house) map[string]any {
	t.Helper()
	resp, text := ask(t, "GET", h.base+"/api/v1/openapi.json", nil)
	if resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), "application/") {
		t.Fatalf("%d %s %.100s", resp.StatusCode, resp.Header.Get("Content-Type"), text)
	}
	return unmarshal(t, text).(map[string]any)
}

// TestTheDescriptionIsValidOpenAPI holds it to the schema that the OpenAPI Initiative publishes.
func TestTheDescriptionIsValidOpenAPI(t *testing.T) {
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	official, err := c.Compile("testdata/openapi-3.1.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	doc := description(t, open(t))
	if err := official.Validate(doc); err != nil {
		t.Error(err)
	}
	doc["paths"].(map[string]any)["/api/v1/balances"].(map[string]any)["get"] = map[string]any{"responses": 7}
	if official.Validate(doc) == nil {
		t.Error("the schema takes everything, so that the test shows nothing")
	}
}

// TestTheDescriptionIsWhole: a validator that is not ours (pb33f/libopenapi-validator) takes the document, and every operation says what
// it is called, what it is for, how it can be refused, and who may: by a scheme, or in so many words that everybody may.
func TestTheDescriptionIsWhole(t *testing.T) {
	h := open(t)
	_, text := ask(t, "GET", h.base+"/api/v1/openapi.json", nil)
	if err := conform.Document([]byte(text)); err != nil {
		t.Error(err)
	}
	doc := unmarshal(t, text).(map[string]any)
	schemes := doc["components"].(map[string]any)["securitySchemes"].(map[string]any)
	ids, count := map[any]string{}, 0
	for path, item := range doc["paths"].(map[string]any) {
		for method, op := range item.(map[string]any) {
			count++
			where := strings.ToUpper(method) + " " + path
			for _, what := range lacks(op.(map[string]any), schemes) {
				t.Errorf("%s: %s", where, what)
			}
			id := op.(map[string]any)["operationId"]
			if ids[id] != "" {
				t.Errorf("%s and %s have one operationId", where, ids[id])
			}
			ids[id] = where
		}
	}
	if count < 60 {
		t.Errorf("only %d operations were looked at", count)
	}
	if got := lacks(map[string]any{"responses": map[string]any{"200": nil}, "x-right": "see", "security": []any{map[string]any{"none": nil}}}, schemes); len(got) != 4 {
		t.Errorf("an operation that says nothing lacks %q", got)
	}
}

// lacks says what an operation does not say of itself.
func lacks(op, schemes map[string]any) (list []string) {
	for _, name := range []string{"operationId", "summary"} {
		if text, _ := op[name].(string); text == "" {
			list = append(list, "no "+name)
		}
	}
	refused := false
	for status, r := range op["responses"].(map[string]any) {
		refused = refused || status >= "400" && described(r, "content", "application/problem+json", "schema")
	}
	if !refused {
		list = append(list, "no answer says how it is refused")
	}
	security, _ := op["security"].([]any)
	if (len(security) == 0) != (op["x-right"] == string(Everybody)) {
		list = append(list, fmt.Sprintf("x-right is %v and security %v", op["x-right"], security))
	}
	for _, one := range security {
		for name := range one.(map[string]any) {
			if schemes[name] == nil {
				list = append(list, "no scheme is called "+name)
			}
		}
	}
	return list
}

// unnamed says whether a body lacks the name that whoever has the host's token has to give there.
func unnamed(route, body string) bool {
	return slices.Contains([]string{sealPath, keysPath, correctionsPath, reviewsPath}, route) && !strings.Contains(body, `"by"`) &&
		!strings.Contains(body, `"who"`)
}

// described looks up a part of the description by its JSON pointer, or says that it is not there.
func described(doc any, names ...string) bool {
	for _, name := range names {
		members, ok := doc.(map[string]any)
		if !ok || members[name] == nil {
			return false
		}
		doc = members[name]
	}
	return true
}

// TestAnswersAreWhatTheDescriptionSays sends requests, good and bad, and has a validator that is not ours judge each by the
// description: the request where it has a body, and every answer.
func TestAnswersAreWhatTheDescriptionSays(t *testing.T) {
	h := open(t)
	doc := description(t, h)
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("https://weighpost.invalid/api.json", doc); err != nil {
		t.Fatal(err)
	}
	schema := func(names ...string) *jsonschema.Schema {
		t.Helper()
		if !described(doc, names...) {
			t.Fatalf("the description has no %q", names)
		}
		pointer := ""
		for _, name := range names {
			pointer += "/" + strings.NewReplacer("~", "~0", "/", "~1").Replace(name)
		}
		s, err := c.Compile("https://weighpost.invalid/api.json#" + pointer)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	const all, one, held = "/api/v1/balances", "/api/v1/balances/{id}", "/api/v1/balances/{id}/context"
	const seal = "/api/v1/journal/seal"
	const ask, list, act = "/api/v1/balances/{id}/read", "/api/v1/balances/{id}/commands", "/api/v1/balances/{id}/commands/{name}"
	for _, c := range []struct {
		method, route, id, body string
		status                  int
	}{
		{"GET", all, "", "", 200},
		{"GET", one, "b-12", "", 200},
		{"GET", one, "b-99", "", 404},
		{"GET", "/api/v1/clock", "", "", 200},
		{"GET", held, "b-12", "", 200},
		{"PUT", held, "b-12", `{"person": {"id": "p-07", "for_s": 3600}, "sample": {"id": "LOT-1003", "uses": 1}, "fields": {"box": {"id": "B7", "uses": -1}}}`, 200},
		{"GET", held, "b-12", "", 200},
		{"PATCH", held, "b-12", `{"lot": null, "run": {"id": ""}, "request": "42"}`, 200},
		{"PATCH", held, "b-12", `{}`, 200},
		{"PUT", held, "b-12", `{"sign_out": true}`, 200},
		{"PUT", held, "b-12", `{"sent": "2026-11-25T10:04:05Z", "valid_s": 30}`, 200},
		{"DELETE", held, "b-12", "", 200},
		{"DELETE", held, "b-99", "", 404},
		{"PUT", held, "b-12", `{"sent": "2026-11-25T10:04:05Z"}`, 422},
		{"PUT", held, "b-12", `{"sign_out": false}`, 422},
		{"PUT", held, "b-12", `{"sampel": {"id": "x"}}`, 422},
		{"PUT", held, "b-12", `{"sample": {}}`, 422},
		{"PUT", held, "b-12", `{"sample": {"id": "x", "uses": 0}}`, 422},
		{"PUT", held, "b-12", `{"sample": {"id": "x", "uses": -2}}`, 422},
		{"PUT", held, "b-12", `{"sample": {"id": "x", "for_s": 0}}`, 422},
		{"PUT", held, "b-12", `{"sample": "x"}`, 422},
		{"PUT", held, "b-12", `{"sample": {"id": "` + strings.Repeat("x", 129) + `"}}`, 422},
		{"PUT", held, "b-12", `{"request": "` + strings.Repeat("x", 65) + `"}`, 422},
		{"PUT", held, "b-12", `[]`, 422},
		{"POST", scanPath, "b-12", `{"raw": "LOT-1003"}`, 200},
		{"GET", proceduresPath, "", "", 200},
		{"GET", readyProceduresPath, "", "", 200},
		{"POST", proceduresPath, "", `{"text": "procedure: net", "reason": "needed", "by": "ada"}`, 200},
		{"POST", proceduresPath, "", `{"form": {"procedure": "net"}, "reason": "needed", "by": "ada"}`, 200},
		{"POST", proceduresPath, "", `{"text": 7, "reason": "needed", "by": "ada"}`, 422},
		{"POST", procedureJudgePath, "", `{"text": "procedure: bad"}`, 200},
		{"GET", environmentPath, "", "", 200},
		{"PUT", airAtPath, "b-12", `{"instrument": "meter-3", "temperature": {"digits": "21.3", "unit": "Cel"}, "at": "2026-11-30T12:00:00Z"}`, 200},
		{"PUT", airAtPath, "b-12", `{"instrument": "meter-3", "temperature": {"digits": 21.3, "unit": "Cel"}}`, 422},
		{"GET", runsPath, "", "", 200},
		{"POST", runsPath, "", `{"procedure": "net", "balance": "b-12", "by": "ada"}`, 200},
		{"POST", runsPath, "", `{"procedure": "net", "items": "LOT-1003", "by": "ada"}`, 422},
		{"GET", runHerePath, "b-12", "", 200},
		{"GET", runHerePath, "b-99", "", 404},
		{"POST", scanPath, "b-12", `{"raw": "10ABC\u001d21S", "symbology": "]C1", "confirm": true, "request": "7"}`, 200},
		{"POST", scanPath, "b-12", `{"raw": "(10)ABC", "typed": true}`, 200},
		{"POST", scanPath, "b-12", `{"raw": ""}`, 422},
		{"POST", scanPath, "b-12", `{}`, 422},
		{"POST", scanPath, "b-12", `{"raw": "x", "symbology": "C1"}`, 422},
		{"POST", scanPath, "b-12", `{"raw": "x", "symbology": "]1C"}`, 422},
		{"POST", scanPath, "b-12", `{"raw": "x", "typed": "yes"}`, 422},
		{"POST", scanPath, "b-12", `{"raw": 7}`, 422},
		{"POST", scanPath, "b-12", `{"raw": "x", "confirmed": true}`, 422},
		{"POST", scanPath, "b-12", `{"raw": "` + strings.Repeat("x", 513) + `"}`, 422},
		{"PUT", held, "b-12", `{"sample": {"id": "x"}, "confirm": true}`, 200},
		{"PUT", held, "b-12", `{"sample": {"id": "x"}, "confirm": 1}`, 422},
		{"POST", samplesPath, "", `{"id": "LOT-1003", "lot": "2026-07", "fields": {"box": "B7"}, "expires": "2027-01-31", "request": "7"}`, 200},
		{"POST", samplesPath, "", `{"samples": [{"id": "a"}, {"id": "b"}], "request": "7"}`, 200},
		{"POST", samplesPath, "", `{"samples": [{"id": "a"}], "id": "b"}`, 422},
		{"POST", samplesPath, "", `{}`, 422},
		{"POST", samplesPath, "", `{"id": ""}`, 422},
		{"POST", samplesPath, "", `{"id": "a", "lto": "x"}`, 422},
		{"POST", samplesPath, "", `{"samples": [{"lot": "x"}]}`, 422},
		{"POST", samplesPath, "", `{"samples": {"id": "a"}}`, 422},
		{"GET", samplesPath, "", "", 200},
		{"GET", samplePath, "LOT-1003", "", 200},
		{"GET", samplePath, "LOT-9", "", 404},
		{"DELETE", samplePath, "LOT-1003", "", 200},
		{"DELETE", samplePath, "LOT-9", "", 404},
		{"POST", ask, "b-12", "", 200},
		{"POST", ask, "b-12", `{}`, 200},
		{"POST", ask, "b-12", `{"record": true, "wait_s": 0.5}`, 200},
		{"POST", ask, "b-12", `{"record": false, "wait_s": 60}`, 200},
		{"POST", ask, "b-99", "", 404},
		{"POST", ask, "b-12", `{"record": "yes"}`, 422},
		{"POST", ask, "b-12", `{"record": null}`, 422},
		{"POST", ask, "b-12", `{"wait_s": 0}`, 422},
		{"POST", ask, "b-12", `{"wait_s": 61}`, 422},
		{"POST", ask, "b-12", `{"weit_s": 1}`, 422},
		{"POST", ask, "b-12", `[]`, 422},
		{"POST", tryPortPath, "b-12", "", 200},
		{"POST", tryPortPath, "b-13", "", 409},
		{"POST", tryPortPath, "b-12", `{}`, 200},
		{"POST", tryPortPath, "b-12", `{"now": true}`, 422},
		{"POST", tryPortPath, "b-99", "", 404},
		{"POST", seal, "", `{"by": "p-07", "dry_run": true}`, 200},
		{"POST", seal, "", `{"by": "p-07", "before": "2026-01-01T00:00:00Z", "reason": "the disk is small"}`, 200},
		{"POST", seal, "", `{"by": "", "dry_run": true}`, 422},
		{"POST", seal, "", `{"dry_run": true}`, 422},
		{"POST", seal, "", `{"by": "p-07", "befor": "2026-01-01T00:00:00Z"}`, 422},
		{"GET", list, "b-12", "", 200},
		{"GET", list, "b-13", "", 200},
		{"GET", list, "b-99", "", 404},
		{"POST", act, "b-12", "", 200},
		{"POST", act, "b-12", `{}`, 200},
		{"POST", act, "b-99", "", 404},
		{"POST", act, "b-12", `{"really": true}`, 422},
		{"POST", keysPath, "", aKey, 200},
		{"POST", keysPath, "", strings.Replace(aKey, "ada", "", 1), 422},
		{"POST", keysPath, "", strings.Replace(aKey, `, "by": "ada"`, "", 1), 422},
		{"POST", keysPath, "", strings.Replace(aKey, "the computer was given to another room", "", 1), 422},
		{"POST", keysPath, "", strings.Replace(aKey, `"by"`, `"who"`, 1), 422},
		{"POST", correctionsPath, "", aCorrection, 200},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "-3.2", "3.2", 1), 200},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, `"-3.2"`, "3.2", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "-3.2", "three", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "0.5", "0", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "12", "0", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "12", "1.5", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "the battery was flat", "", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, "ada", "", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, `, "by": "ada"`, "", 1), 422},
		{"POST", correctionsPath, "", strings.Replace(aCorrection, `"by"`, `"who"`, 1), 422},
		{"GET", backupsPath, "", "", 200},
		{"POST", backupsPath, "", "", 200},
		{"POST", backupsPath, "", `{"by": "Ada", "apart": true}`, 200},
		{"POST", backupsPath, "", `{"by": ""}`, 422},
		{"POST", backupsPath, "", `{"out": "/etc/passwd"}`, 422},
		{"POST", verifiedPath, "", `{"name": "x.tar", "where": "/srv", "outcome": "failed", "why": "it is cut short", "size": 7, "entries": 3, "sha256": "00", "checkpoint": "x", "by": "Ada"}`, 200},
		{"POST", verifiedPath, "", `{"name": "x.tar", "where": "/srv"}`, 422},
		{"POST", verifiedPath, "", `{"name": "x.tar", "where": "/srv", "outcome": "fine"}`, 422},
		{"POST", verifiedPath, "", `{"name": "x.tar", "where": "/srv", "outcome": "good", "size": -1}`, 422},
		{"GET", sessionPath, "", "", 200},
		{"POST", sessionPath, "", goodBody("POST", sessionPath), 200},
		{"POST", sessionPath, "", `{"login": "operator"}`, 422},
		{"POST", sessionPath, "", `{"login": "operator", "secret": ""}`, 422},
		{"POST", sessionPath, "", `{"login": "operator", "secret": "x", "remember": true}`, 422},
		{"POST", sessionPath, "", `{"login": "operator", "secret": "` + strings.Repeat("x", 1025) + `"}`, 422},
		{"POST", sessionPath, "", `{"login": 7, "secret": "x"}`, 422},
		{"DELETE", sessionPath, "", "", 200},
		{"POST", badgePath, "", goodBody("POST", badgePath), 200},
		{"POST", badgePath, "", `{"code": "0047"}`, 422},
		{"PUT", secretPath, "", goodBody("PUT", secretPath), 200},
		{"PUT", secretPath, "", `{"secret": "x"}`, 422},
		{"DELETE", everywherePath, "", "", 200},
		{"DELETE", othersPath, "", "", 200},
		{"POST", setUpPath, "", goodBody("POST", setUpPath), 200},
		{"POST", setUpPath, "", `{"token": "x", "id": "p-01"}`, 422},
		{"GET", peoplePath, "", "", 200},
		{"POST", peoplePath, "", goodBody("POST", peoplePath), 200},
		{"POST", peoplePath, "", `{"id": "p-07", "roles": []}`, 422},
		{"POST", peoplePath, "", `{"id": "p-07", "name": "Ada", "roles": [], "rights": ["people"]}`, 422},
		{"GET", personPath, "operator", "", 200},
		{"GET", personPath, "p-99", "", 404},
		{"PATCH", personPath, "auditor", `{"seen": 7, "name": "Ada Quill", "roles": ["auditor"], "disabled": true, "reason": "left"}`, 200},
		{"PATCH", personPath, "it", `{"seen": 7}`, 422},
		{"PATCH", personPath, "it", `{"seen": 7, "id": "other", "reason": "x"}`, 422},
		{"POST", resetPath, "it", `{"reason": "forgotten"}`, 200},
		{"PUT", pinPath, "it", `{"pin": "493817", "reason": "x"}`, 200},
		{"PUT", pinPath, "it", `{"pin": 493817}`, 422},
		{"POST", badgesPath, "it", `{"code": "0047"}`, 200},
		{"POST", badgesPath, "it", `{}`, 422},
		{"DELETE", badgesPath, "it", "", 200},
		{"GET", sessionsPath, "operator", "", 200},
		{"DELETE", sessionsPath, "operator", "", 200},
		{"DELETE", onePath, "operator", "", 200},
		{"GET", programsPath, "", "", 200},
		{"POST", programsPath, "", goodBody("POST", programsPath), 200},
		{"POST", programsPath, "", `{"id": "lims", "name": "x", "roles": []}`, 422},
		{"DELETE", programPath, "lims", "", 200},
		{"DELETE", programPath, "none", "", 409},
		{"GET", rolesPath, "", "", 200},
		{"GET", rightsPath, "2026-11-25T10:04:05Z", "", 200},
		{"GET", rightsPath, "yesterday", "", 422},
		{"GET", accountReviewsPath, "", "", 200},
		{"POST", accountReviewsPath, "", goodBody("POST", accountReviewsPath), 200},
		{"POST", accountReviewsPath, "", `{"at": 5, "findings": ""}`, 422},
		{"GET", settingsPath, "", "", 200},
		{"GET", settingsPath + "/{section}", "", "", 404},
		{"PATCH", settingsPath, "", aChange, 200},
		{"PATCH", settingsPath, "", strings.Replace(aChange, `"by"`, `"dry_run": true, "by"`, 1), 200},
		{"PATCH", settingsPath, "", strings.Replace(aChange, `"by"`, `"who"`, 1), 422},
		{"PATCH", settingsPath, "", strings.Replace(aChange, "a test", "", 1), 422},
		{"PATCH", settingsPath, "", `{"reason": "x"}`, 422},
		{"PUT", settingsPath + "/balances/{id}", "b-12", `{"settings": {"place": "x"}, "reason": "moved", "by": "ada"}`, 200},
		{"PUT", settingsPath + "/sinks/{id}", "s-1", `{"settings": {"kind": "files"}, "reason": "new", "by": "ada"}`, 200},
		{"PUT", settingsPath + "/sinks/{id}", "s-1", `{"settings": [], "reason": "new", "by": "ada"}`, 422},
		{"DELETE", settingsPath + "/balances/{id}", "b-12", "", 422},
		{"DELETE", settingsPath + "/sinks/{id}", "s-1", "", 422},
		{"GET", pendingPath, "", "", 200},
		{"POST", pendingPath + "/{id}/adopt", "c1", `{"reason": "right", "by": "ada"}`, 200},
		{"POST", pendingPath + "/{id}/adopt", "c2", `{"reason": "right", "by": "ada", "force": true}`, 422},
		{"POST", pendingPath + "/{id}/turn-down", "c1", `{"reason": "wrong", "by": "ada"}`, 200},
		{"POST", pendingPath + "/{id}/turn-down", "c1", `{"by": "ada"}`, 422},
		{"GET", setupPortsPath, "", "", 200},
		{"GET", visitsPath, "", "", 200},
		{"POST", visitsPath, "", goodBody("POST", visitsPath), 200},
		{"POST", visitsPath, "", `{"who": "ada"}`, 422},
		{"GET", visitPath, aVisit, "", 200},
		{"GET", visitPath, "v-9", "", 404},
		{"POST", visitAnswerPath, aVisit, goodBody("POST", visitAnswerPath), 200},
		{"POST", visitAnswerPath, aVisit, `{"answer": "yes", "by": "ada"}`, 422},
		{"POST", visitAnswerPath, aVisit, `{"question": "3", "answer": "yes", "by": "ada"}`, 422},
		{"POST", visitAnswerPath, aVisit, `{"question": 3, "answer": "` + strings.Repeat("x", 501) + `", "by": "ada"}`, 422},
		{"DELETE", visitPath, aVisit, "", 200},
		{"DELETE", visitPath, "v-9", "", 404},
		{"GET", deliveriesPath, "", "", 200},
		{"GET", parkedPath, "share", "", 200},
		{"GET", parkedPath, "other", "", 404},
		{"GET", deliveriesPath + "/{sink}/preview", "share", "", 422},
		{"GET", deliveriesPath + "/{sink}/held", "share", "", 200},
		{"POST", deliveriesPath + "/{sink}/pause", "share", `{"reason": "the share moves", "by": "ada"}`, 200},
		{"POST", deliveriesPath + "/{sink}/pause", "share", `{"reason": 7, "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/continue", "share", `{"by": "ada"}`, 200},
		{"POST", deliveriesPath + "/{sink}/continue", "share", `{"by": "ada", "force": true}`, 422},
		{"POST", releasePath, "", `{"entries": [3, 5], "ids": ["north-lab/7qx3/b-12/000008"], "reason": "looked over", "by": "ada"}`, 200},
		{"POST", releasePath, "", `{"entries": ["3"], "reason": "looked over", "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/retry", "share", `{"entries": [3, 5], "by": "ada"}`, 200},
		{"POST", deliveriesPath + "/{sink}/retry", "share", `{"entries": [], "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/retry", "share", `{"entries": [-3], "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/retry", "share", `{"entries": "all", "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/drop", "share", `{"all": true, "reason": "test prints", "by": "ada"}`, 200},
		{"POST", deliveriesPath + "/{sink}/drop", "share", `{"all": true, "resaon": "test prints", "by": "ada"}`, 422},
		{"POST", deliveriesPath + "/{sink}/try-now", "share", `{"by": "ada", "reason": "the certificate is new"}`, 200},
		{"POST", deliveriesPath + "/{sink}/try-now", "share", `{"by": 7}`, 422},
		{"GET", fitnessPath, "", "", 200},
		{"GET", fitnessOfPath, "b-12", "", 200},
		{"GET", fitnessOfPath, "b-13", "", 200},
		{"GET", fitnessOfPath, "b-99", "", 404},
		{"GET", definitionsPath, "", "", 200},
		{"POST", checkPath, "b-12", aBegin, 200},
		{"POST", checkPath, "b-12", `{"check": "daily", "why": "moved", "weights": [], "by": "ada"}`, 200},
		{"POST", checkPath, "b-12", `{"check": "daily", "why": "for fun", "weights": [], "by": "ada"}`, 422},
		{"POST", checkPath, "b-12", `{"weights": ["f1-200"], "by": "ada"}`, 422},
		{"GET", checkPath, "b-12", "", 200},
		{"GET", checkPath, "b-13", "", 404},
		{"POST", checkActPath, "b-12", aDeed, 200},
		{"POST", checkActPath, "b-12", `{"right": true, "by": "ada"}`, 200},
		{"POST", checkActPath, "b-12", `{"answer": "perhaps", "by": "ada"}`, 422},
		{"POST", checkActPath, "b-12", `{"right": "yes", "by": "ada"}`, 422},
		{"GET", checkEndedPath, "b-12", "", 200},
		{"GET", checkEndedPath, "b-13", "", 404},
		{"POST", outPath, "b-12", `{"reason": "it drifts", "by": "ada"}`, 200},
		{"POST", outPath, "b-12", `{"by": "ada"}`, 422},
		{"POST", inPath, "b-12", `{"reason": "it was the draught", "by": "ada"}`, 200},
		{"POST", inPath, "b-12", `{"reason": 7, "by": "ada"}`, 422},
		{"POST", upkeepPath, "b-12", aMove, 200},
		{"POST", upkeepPath, "b-12", `{"act": "calibration", "calibration": {"number": "4711", "date": "2026-02-01", "alpha": "0.1 mg", "beta": "0.000002", "k": "2"}, "by": "ada"}`, 200},
		{"POST", upkeepPath, "b-12", `{"act": "polish", "by": "ada"}`, 422},
		{"GET", inDoubtPath, "b-12", "", 200},
		{"POST", judgePath, "b-12", aJudge, 200},
		{"POST", judgePath, "b-12", `{"weighings": [{"seq": 5, "id": "x"}], "effect": "affected", "reason": "too light", "by": "ada"}`, 200},
		{"POST", judgePath, "b-12", `{"weighings": [], "effect": "affected", "reason": "too light", "by": "ada"}`, 422},
		{"POST", judgePath, "b-12", `{"effect": "some", "reason": "too light", "by": "ada"}`, 422},
		{"POST", closePath, "b-12", `{"reason": "all looked over", "by": "ada"}`, 200},
		{"POST", closePath, "b-12", `{"reason": "", "by": "ada"}`, 422},
		{"GET", weightsPath, "", "", 200},
		{"GET", weightPath, "f1-200", "", 200},
		{"GET", weightPath, "none", "", 404},
		{"GET", weightFilePath, "f1-200", "", 404},
		{"PUT", weightPath, "f1-100", aNewOne, 200},
		{"PUT", weightPath, "f1-100", `{"class": "F1", "by": "ada"}`, 422},
		{"PUT", weightPath, "f1-100", `{"nominal": "100 g", "clas": "F1", "by": "ada"}`, 422},
		{"DELETE", weightPath, "f1-100", "", 200},
		{"DELETE", weightPath, "none", "", 404},
		{"GET", labRequestsPath, "", "", 200},
		{"GET", labRequestPath, "R-1", "", 200},
		{"GET", labRequestPath, "R-9", "", 404},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass"}`, 200},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass", "version": 2, "items": [{"sample": "LOT-1", "container": "V-1", "position": 3,
			"lot": "7", "fields": {"Nr.": "7/ä"}}], "parameters": {"portion": "10 g"}, "balance": "b-12", "priority": 1, "due": "2026-12-01T12:00:00Z",
			"job": "J-1", "task": "T-1", "fields": {"x": ""}, "request": "42"}`, 200},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "change": {"priority": 1, "due": null, "balance": null, "reason": "the customer waits"}}`, 200},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "cancel": "the lot was withdrawn"}`, 200},
		{"POST", labRequestsPath, "", `[{"id": "R-1", "from": "lims", "cancel": "the lot was withdrawn"}, {"id": "R-9", "from": "lims", "cancel": "why"}]`, 200},
		{"POST", labRequestsPath, "", `[]`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims"}`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass", "colour": "red"}`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass", "priority": 10}`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass", "priority": "first"}`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "change": {"job": "J-2"}}`, 422},
		{"POST", labRequestsPath, "", `{"id": "R-1", "from": "lims", "procedure": "dry-mass", "items": [{"weight": "1 g"}]}`, 422},
		{"PATCH", labRequestPath, "R-1", `{"priority": 1, "due": "2026-12-01T12:00:00Z", "balance": "b-12", "reason": "the customer waits"}`, 200},
		{"PATCH", labRequestPath, "R-1", `{"due": null, "balance": null}`, 200},
		{"PATCH", labRequestPath, "R-1", `{"job": "J-2"}`, 422},
		{"PATCH", labRequestPath, "R-1", `{"priority": 0}`, 422},
		{"POST", cancelRequestPath, "R-1", `{"reason": "the lot was withdrawn", "by": "ada"}`, 200},
		{"POST", cancelRequestPath, "R-1", `{"reason": ""}`, 422},
		{"GET", reportsPath, "", "", 200},
		{"GET", reportTemplatesPath, "", "", 200},
		{"GET", reportOnePath, aReport, "", 200},
		{"GET", reportOnePath, "rep-9", "", 404},
		{"POST", reportsPath, "", anIssue, 200},
		{"POST", reportsPath, "", `{"of": "run", "about": "r-1", "template": "ours", "replaces": "rep-7qx3-000003", "why": "typing", "to": ["share"], "by": "ada"}`, 200},
		{"POST", reportsPath, "", `{"of": "run", "about": "r-1", "to": [], "by": "ada"}`, 200},
		{"POST", reportsPath, "", `{"of": "week", "about": "r-1", "by": "ada"}`, 422},
		{"POST", reportsPath, "", `{"of": "run", "about": "", "by": "ada"}`, 422},
		{"GET", containersPath, "", "", 200},
		{"GET", containerPath, "cr-1", "", 200},
		{"GET", containerPath, "cr-9", "", 404},
		{"POST", containersPath, "", aRegister, 200},
		{"POST", containersPath, "", `{"containers": [{"id": "cr-1", "expires": "2027-01-31T00:00:00Z", "lot": "7", "fields": {"box": "B7"}}], "sort": "vial", "reason": "new", "by": "ada"}`, 200},
		{"POST", containersPath, "", `{"containers": [], "sort": "vial", "by": "ada"}`, 422},
		{"POST", containersPath, "", `{"containers": [{"sort": "vial"}], "by": "ada"}`, 422},
		{"POST", containersPath, "", `{"containers": [{"id": "a", "withdrawn": true}], "sort": "vial", "by": "ada"}`, 422},
		{"POST", containersPath, "", `{"containers": [{"id": "` + strings.Repeat("x", 129) + `"}], "sort": "vial", "by": "ada"}`, 422},
		{"POST", containerWithdrawPath, "cr-1", aWithdraw, 200},
		{"POST", containerWithdrawPath, "cr-1", `{"by": "ada"}`, 422},
		{"GET", slipsPath, "", "", 200},
		{"GET", slipPath, aSlip, "", 200},
		{"GET", slipPath, aSlip + "9", "", 404},
		{"GET", slipPicturePath, aSlip, "", 404},
		{"POST", slipsPath, "", aTyping, 200},
		{"POST", slipsPath, "", strings.Replace(aTyping, `"by"`, `"kind": "net", "slip_clock": "2026-11-25 11:05", "sample": "LOT-7", "fields": {"box": "B7"}, "weighed_by": "ben", "sure": true, "by"`, 1), 200},
		{"POST", slipsPath, "", strings.Replace(aTyping, `"by"`, `"kind": "brutto", "by"`, 1), 422},
		{"POST", slipsPath, "", strings.Replace(aTyping, `"digits": "21.3400", `, "", 1), 422},
		{"POST", slipsPath, "", strings.Replace(aTyping, `"21.3400"`, "21.3400", 1), 422},
		{"POST", slipDecidePath, aSlip, aDecision, 200},
		{"POST", slipDecidePath, aSlip, `{"confirmed": false, "reason": "the 3 is an 8", "by": "ben"}`, 200},
		{"POST", slipDecidePath, aSlip, `{"by": "ben"}`, 422},
		{"GET", entriesPath, "", "", 200},
		{"GET", entryPath, "", "", 422},
		{"GET", proofPath, "", "", 422},
		{"GET", reviewsPath, "", "", 200},
		{"POST", reviewsPath, "", aReview, 200},
		{"POST", reviewsPath, "", `{"by": "ada", "findings": "Nothing unusual.\nAll signed in.", "to": 7, "reason": "monthly", "filter": "kind=configured"}`, 200},
		{"POST", reviewsPath, "", `{"by": "ada"}`, 422},
		{"POST", reviewsPath, "", `{"by": "", "findings": "x"}`, 422},
		{"POST", reviewsPath, "", `{"by": "ada", "findings": ""}`, 422},
		{"POST", reviewsPath, "", `{"by": "ada", "findings": "x", "to": 0}`, 422},
		{"POST", reviewsPath, "", `{"by": "ada", "findings": "x", "from": 1}`, 422},
	} {
		var as func(*http.Request)
		if strings.HasPrefix(c.route, sessionPath) && c.body == goodBody(c.method, c.route) {
			as = h.enter(t, "operator")
		}
		if strings.HasPrefix(c.route, settingsPath) {
			as = asSeen
		}
		query := map[string]string{"DELETE " + badgesPath: "?code=0047", "GET " + rightsPath: "?on=" + c.id, "DELETE " + weightPath: "?reason=lost&by=ada"}[c.method+" "+c.route]
		resp, answer := send(t, h, c.method, strings.NewReplacer("{id}", c.id, "{sample}", c.id, "{sink}", c.id, "{name}", "tare", "{step}", "next", "{session}", "s-1", "{check}", "c000001", "{weight}", c.id, "{from}", "lims", "{request}", c.id, "{container}", c.id, "{place}", c.id, "{report}", c.id,
			"{site}/{incarnation}/{balance}/{number}", c.id).Replace(c.route)+query, c.body, as)
		if resp.StatusCode != c.status {
			t.Errorf("%s %s %s: %d %s, want %d", c.method, c.route, c.body, resp.StatusCode, answer, c.status)
		}
		op := []string{"paths", c.route, strings.ToLower(c.method)}
		if c.body != "" {
			if c.status == 422 && unnamed(c.route, c.body) {
				continue // who has to give a name depends on what they show, which a description of the body cannot say
			}
			for _, kind := range bodyTypes[c.method] {
				err := schema(append(op, "requestBody", "content", kind, "schema")...).Validate(unmarshal(t, c.body))
				if (err == nil) != (resp.StatusCode == 200) {
					t.Errorf("%s %s: the description says %v, the console %d", c.method, c.body, err, resp.StatusCode)
				}
			}
		}
		status := http.StatusText(resp.StatusCode)
		got := append(op, "responses", strings.Fields(resp.Status)[0], "content", resp.Header.Get("Content-Type"), "schema")
		if err := schema(got...).Validate(unmarshal(t, string(bytes.TrimSpace([]byte(answer))))); err != nil {
			t.Errorf("%s %s: the answer %s is not as described: %v\n%s", c.method, c.route, status, err, answer)
		}
	}
}
