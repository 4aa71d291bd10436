package config

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/tell"
)

// kindSchemas is where the schemas of all kinds of entry are but for those written by hand.
const kindSchemas = configs + "/schemas"

// handWritten are the schemas that say more than the Go types do, by kind.
var handWritten = map[record.Kind]string{record.KindWeighing: "weighing.schema.json", record.KindResult: "weighing.schema.json", record.KindUnread: "unread.schema.json"}

// schemaPath is the file with the schema of a kind.
func schemaPath(k record.Kind) string {
	if name, by := handWritten[k]; by {
		return name
	}
	return filepath.Join("schemas", string(k)+".schema.json")
}

// kindSchema describes a kind of entry by the Go type that writes it. Fields may join within a version, so others are allowed.
func kindSchema(k record.Kind) []byte {
	s := jsonShape(reflect.TypeOf(record.NewBody(k)).Elem())
	p, _ := s["properties"].(map[string]any)
	p["schema"] = map[string]any{"const": k.Schema(), "description": "Kind and version of the entry."}
	p["id"] = map[string]any{"type": "string", "pattern": "^[a-z0-9-]+/[^/]+/@/[0-9]{6,}$",
		"description": "Stable for ever, and the idempotency key everywhere: site / incarnation / @ / sequence."}
	p["seq"] = map[string]any{"type": "integer", "minimum": 1, "description": "Position in the journal, from 1."}
	s["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	s["title"] = "weighpost entry: " + tell.Kind(k)
	out, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // maps and texts
	}
	return append(out, '\n')
}

// jsonShape is how a type stands in JSON.
func jsonShape(t reflect.Type) map[string]any {
	switch t {
	case reflect.TypeFor[record.UTC]():
		return map[string]any{"type": "string", "format": "date-time", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z$`}
	case reflect.TypeFor[record.Span]():
		return map[string]any{"type": "number", "minimum": 0}
	case reflect.TypeFor[record.Offset]():
		return map[string]any{"type": "string", "pattern": `^[+-][0-9]+\.[0-9]{6}$`}
	case reflect.TypeFor[record.Bench]():
		return jsonShape(reflect.TypeFor[record.About]())
	case reflect.TypeFor[json.RawMessage]():
		return map[string]any{"type": []any{"object", "null"}}
	case reflect.TypeFor[[]byte]():
		return map[string]any{"type": []any{"string", "null"}, "contentEncoding": "base64"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return jsonShape(t.Elem())
	case reflect.Struct:
		return objectShape(t)
	case reflect.Slice:
		return map[string]any{"type": []any{"array", "null"}, "items": jsonShape(t.Elem())}
	case reflect.Map:
		return map[string]any{"type": []any{"object", "null"}, "additionalProperties": jsonShape(t.Elem())}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int, reflect.Int64, reflect.Int32:
		return map[string]any{"type": "integer"}
	case reflect.Uint64, reflect.Uint32, reflect.Uint8, reflect.Uint:
		return map[string]any{"type": "integer", "minimum": 0}
	}
	panic("a field of the type " + t.String() + " has no schema")
}

func objectShape(t reflect.Type) map[string]any {
	properties, required := map[string]any{}, []any{}
	for i := range t.NumField() {
		f := t.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" && f.Anonymous {
			inner := jsonShape(f.Type)
			for key, one := range inner["properties"].(map[string]any) {
				properties[key] = one
			}
			required = append(required, inner["required"].([]any)...)
			continue
		}
		if name == "" || name == "-" {
			continue
		}
		one := jsonShape(f.Type)
		optional := strings.Contains(options, "omit")
		if f.Type.Kind() == reflect.Pointer && !optional {
			if kind, ok := one["type"].(string); ok {
				one["type"] = []any{kind, "null"}
			}
		}
		if doc := f.Tag.Get("doc"); doc != "" {
			one["description"] = doc
		}
		properties[name] = one
		if !optional {
			required = append(required, name)
		}
	}
	return map[string]any{"type": "object", "properties": properties, "required": required}
}

// TestKindSchemasAreNotStale makes the schemas anew and compares them with the files.
func TestKindSchemasAreNotStale(t *testing.T) {
	for _, k := range record.Kinds() {
		if handWritten[k] != "" {
			continue
		}
		path := filepath.Join(configs, schemaPath(k))
		made := kindSchema(k)
		if *update {
			if err := os.MkdirAll(kindSchemas, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, made, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(kept, made) {
			t.Errorf("%s is stale: go test ./gateway/config -update writes it anew", path)
		}
	}
}

// statusSchemas describe what is published of balances and destinations, and the report of a run as data, which are no entries, by file.
func statusSchemas() map[string][]byte {
	made := map[string][]byte{}
	for name, is := range map[string]struct {
		of            reflect.Type
		title, schema string
	}{
		"balance-status.schema.json": {reflect.TypeFor[record.BalanceStatus](), "weighpost: how a balance is", record.BalanceStatusSchema},
		"sink-status.schema.json":    {reflect.TypeFor[record.SinkStatus](), "weighpost: how a destination is", record.SinkStatusSchema},
		"run-report.schema.json":     {reflect.TypeFor[report.Data](), "weighpost: the report of a run, for programs", report.DataSchema},
	} {
		s := jsonShape(is.of)
		s["properties"].(map[string]any)["schema"] = map[string]any{"const": is.schema, "description": "What it is, and its version."}
		s["$schema"], s["title"] = "https://json-schema.org/draft/2020-12/schema", is.title
		out, err := json.MarshalIndent(s, "", "  ")
		if err != nil {
			panic(err) // maps and texts
		}
		made[name] = append(out, '\n')
	}
	return made
}

// TestStatusSchemasAreNotStale makes them anew and compares them with the files.
func TestStatusSchemasAreNotStale(t *testing.T) {
	for name, made := range statusSchemas() {
		path := filepath.Join(kindSchemas, name)
		if *update {
			if err := os.WriteFile(path, made, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if kept, err := os.ReadFile(path); err != nil || !bytes.Equal(kept, made) {
			t.Errorf("%s is stale: go test ./gateway/config -update writes it anew (%v)", path, err)
		}
	}
}

// filled gives every field of a value something, to any depth, so that each field is written.
func filled(v reflect.Value) {
	switch v.Type() {
	case reflect.TypeFor[record.UTC]():
		v.Set(reflect.ValueOf(record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 123456000, time.UTC))))
		return
	case reflect.TypeFor[json.RawMessage]():
		v.Set(reflect.ValueOf(json.RawMessage(`{"site":"north-seed-bank"}`)))
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		filled(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				filled(v.Field(i))
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		filled(v.Index(0))
	case reflect.Map:
		one := reflect.New(v.Type().Elem()).Elem()
		filled(one)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(reflect.ValueOf("key").Convert(v.Type().Key()), one)
	case reflect.String:
		v.SetString("rye")
	case reflect.Int, reflect.Int64, reflect.Int32:
		v.SetInt(7)
	case reflect.Uint, reflect.Uint64, reflect.Uint32, reflect.Uint8:
		v.SetUint(7)
	}
}

// entriesOfAllKinds are those of the kept journals, which have many kinds, and of every kind one with all its fields and one with
// none but those that it cannot be without. That of a weighing is held by tests of its own.
func entriesOfAllKinds(t *testing.T) map[string][]json.RawMessage {
	t.Helper()
	all := map[string][]json.RawMessage{}
	kept, err := filepath.Glob("../../testdata/journals/v*/entries.ndjson")
	if err != nil || len(kept) == 0 {
		t.Fatalf("no kept journals: %v", err)
	}
	for _, file := range kept {
		src, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for line := range bytes.Lines(src) {
			e, err := record.ParseEntry(bytes.TrimSpace(line))
			if err != nil {
				t.Fatal(err)
			}
			// The journal's tests, which made these, had an unread frame without a layout; intake has none.
			if e.Kind != record.KindUnread {
				all[schemaPath(e.Kind)] = append(all[schemaPath(e.Kind)], e.JSON)
			}
		}
	}
	for _, k := range record.Kinds() {
		if handWritten[k] != "" {
			continue
		}
		for _, full := range []bool{false, true} {
			b := record.NewBody(k)
			if full {
				filled(reflect.ValueOf(b).Elem())
			}
			*b.Identity() = record.Head{Schema: k.Schema(), ID: record.EntryID("north-seed-bank", "7qx3", "", 184), Seq: 184, Site: "north-seed-bank"}
			text, err := json.Marshal(b)
			if err != nil {
				t.Fatal(err)
			}
			all[schemaPath(k)] = append(all[schemaPath(k)], text)
		}
	}
	return all
}

// TestEntriesOfAllKindsFitTheirSchemas by one validator, and that the schemas refuse what is wrong.
func TestEntriesOfAllKindsFitTheirSchemas(t *testing.T) {
	for path, entries := range entriesOfAllKinds(t) {
		schema := compile(t, path)
		for _, text := range entries {
			if err := schema.Validate(fromJSON(t, text)); err != nil {
				t.Errorf("%s: %s\n%v", path, text, err)
			}
			for old, worse := range map[string]string{`/1","id"`: `/2","id"`, `"seq":`: `"seq":-`, `"utc":"`: `"utc":"x`} {
				changed := strings.Replace(string(text), old, worse, 1)
				if changed != string(text) && schema.Validate(fromJSON(t, []byte(changed))) == nil {
					t.Errorf("%s takes %s", path, changed)
				}
			}
		}
	}
}

const ajvDir = "../../testdata/ajv"

// judge has every schema compiled and every entry validated, and prints what is wrong; the last entry of each list has to be refused.
const judge = `
const fs = require("fs"), path = require("path");
const Ajv = require("ajv/dist/2020"), formats = require("ajv-formats");
const cases = JSON.parse(fs.readFileSync(0)), wrong = [];
let valid = 0;
for (const [file, entries] of Object.entries(cases)) {
  const ajv = new Ajv({strict: false, allErrors: true, validateFormats: true});
  formats(ajv);
  const judge = ajv.compile(JSON.parse(fs.readFileSync(path.join(process.argv[1], file))));
  entries.forEach((text, i) => {
    const ok = judge(JSON.parse(text)), bad = i === entries.length - 1;
    if (ok === bad) wrong.push(file + ": " + text + "\n" + JSON.stringify(judge.errors));
    if (ok) valid++;
  });
}
console.log(JSON.stringify({valid, wrong}));
`

// TestAnotherValidatorSaysTheSame: ajv (https://ajv.js.org, not ours) compiles every schema, takes every entry and the report of a run as
// data, and refuses each with a fault.
func TestAnotherValidatorSaysTheSame(t *testing.T) {
	needs.Programs(t, "node")
	_, err := os.Stat(filepath.Join(ajvDir, "node_modules", "ajv"))
	needs.That(t, err == nil, "ajv: cd testdata/ajv && npm ci --ignore-scripts")
	cases := map[string][]string{}
	total := 0
	for path, entries := range entriesOfAllKinds(t) {
		for _, text := range entries {
			cases[path] = append(cases[path], string(text))
			total++
		}
		cases[path] = append(cases[path], strings.Replace(string(entries[len(entries)-1]), `/1","id"`, `/0","id"`, 1))
	}
	run, err := os.ReadFile("../report/testdata/run.json")
	if err != nil {
		t.Fatal(err)
	}
	cases["schemas/run-report.schema.json"] = []string{string(run), strings.Replace(string(run), `"counts":true`, `"counts":"yes"`, 1)}
	total++
	in, err := json.Marshal(cases)
	if err != nil {
		t.Fatal(err)
	}
	at, err := filepath.Abs(configs)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", judge, at)
	cmd.Dir, cmd.Stdin = ajvDir, bytes.NewReader(in)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	var said struct {
		Valid int
		Wrong []string
	}
	if err := json.Unmarshal(out, &said); err != nil || len(said.Wrong) > 0 || said.Valid != total {
		t.Errorf("%d of %d are valid, %v\n%s", said.Valid, total, err, strings.Join(said.Wrong, "\n"))
	}
}
