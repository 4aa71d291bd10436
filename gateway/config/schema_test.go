package config

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"weighpost/gateway/deliver"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks/all"
)

const configs = "../../configs"

// TestSchemasAreNotStale makes the generated schemas anew and compares them with the files.
func TestSchemasAreNotStale(t *testing.T) {
	for file, made := range map[string][]byte{"weighpost.schema.json": Schema(), "layout.schema.json": LayoutSchema(), "procedure.schema.json": ProcedureSchema()} {
		path := filepath.Join(configs, file)
		if *update {
			if err := os.WriteFile(path, made, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(kept, made) {
			t.Errorf("%s is stale: go test ./gateway/config -update writes it anew", file)
		}
	}
}

// compile compiles a schema of configs/. The compiler holds it to the 2020-12 metaschema.
func compile(t *testing.T, file string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	s, err := c.Compile(filepath.Join(configs, file))
	if err != nil {
		t.Fatal(err)
	}
	if s.DraftVersion != 2020 {
		t.Fatalf("%s is of draft %d", file, s.DraftVersion)
	}
	return s
}

// fromYAML reads a file as an editor with the schema would: by another path than Load.
func fromYAML(t *testing.T, src []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(src, &v); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return fromJSON(t, text)
}

func fromJSON(t *testing.T, text []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestExamples holds that both example configurations load, and that the schema says the same.
func TestExamples(t *testing.T) {
	schema := compile(t, "weighpost.schema.json")
	for _, name := range []string{"minimal.yaml", "commented.yaml"} {
		path := filepath.Join(configs, name)
		src, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		cfg, faults := Load(path, src)
		if faults != nil {
			t.Errorf("%v", faults)
			continue
		}
		if len(cfg.Balances) == 0 || len(cfg.Sinks) == 0 {
			t.Errorf("%s shows no balance or no sink", name)
		}
		if err := schema.Validate(fromYAML(t, src)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := schema.Validate(fromYAML(t, []byte("site: a\njournal: {folder: x}\nsinks: [{id: a, kind: pigeon}]\n"))); err == nil {
		t.Error("the schema takes a sink of a kind that does not exist")
	}
}

func TestExampleLayoutsFitTheSchema(t *testing.T) {
	schema := compile(t, "layout.schema.json")
	files, err := filepath.Glob(filepath.Join(configs, "layouts", "*.yaml"))
	if err != nil || len(files) == 0 {
		t.Fatalf("%d layouts, %v", len(files), err)
	}
	for _, file := range files {
		src, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := loadLayout(file); err != nil {
			t.Error(err)
		}
		if err := schema.Validate(fromYAML(t, src)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	if err := schema.Validate(fromYAML(t, []byte("linee: x\n"))); err == nil {
		t.Error("the schema takes a key that does not exist")
	}
}

// TestCommentedHasEveryKey holds that each key of the schema occurs in the commented example, in use or in a comment.
func TestCommentedHasEveryKey(t *testing.T) {
	src, err := os.ReadFile(filepath.Join(configs, "commented.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string]bool{}
	for _, line := range strings.Split(string(src), "\n") {
		line = strings.TrimLeft(line, "# -")
		if key, _, ok := strings.Cut(line, ":"); ok {
			shown[key] = true
		}
	}
	var missing []string
	n := 0
	everyKey(fromJSON(t, Schema()), func(key string) {
		n++
		if !shown[key] {
			missing = append(missing, key)
		}
	})
	if len(missing) > 0 || n < 40 {
		slices.Sort(missing)
		t.Errorf("of %d keys commented.yaml lacks: %s", n, strings.Join(slices.Compact(missing), ", "))
	}
}

// everyKey calls found for each key of a file that the schema describes.
func everyKey(schema any, found func(string)) {
	switch s := schema.(type) {
	case map[string]any:
		for k, v := range s {
			if p, ok := v.(map[string]any); ok && k == "properties" {
				for key := range p {
					found(key)
				}
			}
			everyKey(v, found)
		}
	case []any:
		for _, v := range s {
			everyKey(v, found)
		}
	}
}

// TestEverySettingIsDescribed holds that no key goes without its sentence.
func TestEverySettingIsDescribed(t *testing.T) {
	for name, schema := range map[string][]byte{"configuration": Schema(), "layout": LayoutSchema()} {
		var walk func(v any)
		walk = func(v any) {
			switch s := v.(type) {
			case map[string]any:
				if p, ok := s["properties"].(map[string]any); ok {
					for key, one := range p {
						if m, ok := one.(map[string]any); !ok || m["description"] == nil {
							t.Errorf("%s: the key %s has no description", name, key)
						}
					}
				}
				for _, one := range s {
					walk(one)
				}
			case []any:
				for _, one := range s {
					walk(one)
				}
			}
		}
		walk(fromJSON(t, schema))
	}
}

func stamp() record.Stamp {
	bound := record.Span(21 * time.Millisecond)
	return record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 10, 4, 5, 123456000, time.UTC)), Zone: "+01:00", Bound: &bound,
		Clock: record.ClockChecked, Sources: 3}
}

const aHash = "sha256:0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"

func weighing() *record.Weighing {
	return &record.Weighing{
		Head:    record.Head{Schema: record.KindWeighing.Schema(), ID: record.EntryID("north-lab", "7qx3", "b-12", 184), Seq: 90211, Site: "north-lab"},
		Balance: record.Balance{ID: "b-12", Serial: "0047", Place: "room 4", Readability: "0.0001 g", Identity: "confirmed"},
		Value:   record.Value{Digits: "+0.5000", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Printed: &record.Printed{Person: "k07", Sample: "TRIF-2026-0117", Date: "2026-11-25", Time: "10:04:05", Check: "ok"},
		Frame:   []byte("lot    0.5000 g\r\n"), Layout: aHash, Trigger: "every 5s", Port: "/dev/ttyUSB0", Stamp: stamp(),
		Context: record.Context{Sample: &record.Learnt{ID: "TRIF-2026-0117", By: "printed"}, Fields: map[string]string{}},
		Fitness: record.Fitness{State: "unknown"}, Software: record.Software{Version: "0.1.0", Config: aHash},
	}
}

func TestRecordsFitTheirSchema(t *testing.T) {
	over := weighing()
	over.Value = record.Value{Kind: "unknown", Stability: "unknown", Range: "over"}
	over.Printed, over.Stamp.Bound, over.Stamp.Clock, over.Trigger = nil, nil, record.ClockUnchecked, "printed"
	over.Verdicts = []record.Verdict{{Rule: "minimum-weight", Pass: false, Limit: "0.0820 g"}}
	pieces := &record.Result{Weighing: *weighing()}
	pieces.Schema, pieces.Value = record.KindResult.Schema(), record.Value{Digits: "250", PrintedUnit: "pcs", Kind: "unknown", Stability: "stable", Range: "in"}
	unread := &record.Unread{
		Head:    record.Head{Schema: record.KindUnread.Schema(), ID: record.EntryID("north-lab", "7qx3", "", 90212), Seq: 90212, Site: "north-lab"},
		Balance: record.About{ID: "b-12"}, Frame: []byte{0xff, 0x00}, Reason: "nothing fits", Layout: aHash, Port: "tcp://ports.example:4001",
		Stamp: stamp(), Software: record.Software{Version: "0.1.0"},
	}
	for _, c := range []struct {
		schema string
		good   any
		bad    map[string]string // a change to the JSON that the schema must refuse
	}{
		{"weighing.schema.json", weighing(), map[string]string{
			`"digits":"+0.5000"`: `"digits":"0,5000"`, `"range":"in"`: `"range":"over"`, `"stability":"stable"`: `"stability":"settled"`,
			`"bound_s":0.021`: `"bound_s":"0.021"`, `"utc":"2026-11-25`: `"utc":"2026-13-25`, `"seq":90211`: `"seq":0`,
			`weighpost.weighing/1`: `weighpost.weighing/2`, `"by":"printed"`: `"by":"guessed"`, `"frame":"bG`: `"frame":"?G`,
			`"layout":"sha256:`: `"layout":"md5:`, `/b-12/000184`: `/b-12/184`,
		}},
		{"weighing.schema.json", over, map[string]string{`"range":"over"`: `"range":"in"`}},
		{"weighing.schema.json", pieces, nil},
		{"unread.schema.json", unread, map[string]string{`"reason":"nothing fits"`: `"reason":""`, `/@/`: `/b-12/`}},
	} {
		schema := compile(t, c.schema)
		text, err := json.Marshal(c.good)
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(fromJSON(t, text)); err != nil {
			t.Errorf("%s\n%v", text, err)
		}
		for old, changed := range c.bad {
			worse := strings.Replace(string(text), old, changed, 1)
			if worse == string(text) {
				t.Errorf("%s does not occur in %s", old, text)
			}
			if schema.Validate(fromJSON(t, []byte(worse))) == nil {
				t.Errorf("%s takes %s", c.schema, changed)
			}
		}
	}
}

// TestSchemasNameEveryField holds that the hand-written schemas and the Go types of the records have the same fields.
func TestSchemasNameEveryField(t *testing.T) {
	for file, typ := range map[string]reflect.Type{
		"weighing.schema.json": reflect.TypeFor[record.Weighing](), "unread.schema.json": reflect.TypeFor[record.Unread](),
	} {
		src, err := os.ReadFile(filepath.Join(configs, file))
		if err != nil {
			t.Fatal(err)
		}
		schema, ok := fromJSON(t, src).(map[string]any)
		if !ok {
			t.Fatalf("%s is no object", file)
		}
		sameFields(t, file, typ, schema, schema["$defs"])
	}
}

func sameFields(t *testing.T, where string, typ reflect.Type, schema map[string]any, defs any) {
	t.Helper()
	if ref, ok := schema["$ref"].(string); ok {
		schema, _ = defs.(map[string]any)[strings.TrimPrefix(ref, "#/$defs/")].(map[string]any)
	}
	for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice && typ.Elem().Kind() == reflect.Struct {
		if items, ok := schema["items"].(map[string]any); ok {
			schema = items
		}
		typ = typ.Elem()
	}
	if typ.Kind() != reflect.Struct || reflect.PointerTo(typ).Implements(reflect.TypeFor[json.Unmarshaler]()) {
		return
	}
	described, _ := schema["properties"].(map[string]any)
	fields := jsonFields(typ)
	for name, field := range fields {
		one, ok := described[name].(map[string]any)
		if !ok {
			t.Errorf("%s: the field %s of %s is not in the schema", where, name, typ)
			continue
		}
		sameFields(t, where+"."+name, field, one, defs)
	}
	for name := range described {
		if _, ok := fields[name]; !ok {
			t.Errorf("%s: the schema has a field %s that %s has not", where, name, typ)
		}
	}
}

func jsonFields(typ reflect.Type) map[string]reflect.Type {
	fields := map[string]reflect.Type{}
	for i := range typ.NumField() {
		f := typ.Field(i)
		if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" {
			fields[name] = f.Type
		} else if f.Anonymous {
			for name, inner := range jsonFields(f.Type) {
				fields[name] = inner
			}
		}
	}
	return fields
}

// TestDefaultsAreWhatTheSchemaSays compares each default of a sink with what applies where a file says nothing.
func TestDefaultsAreWhatTheSchemaSays(t *testing.T) {
	for _, kind := range kinds() {
		s, _ := NewSink(kind)
		if _, ok := s.Settings.(all.Usually); ok {
			s.Delivery.Entries = deliver.Default().Entries // TestWhatAKindUsuallyGets
		}
		for _, settings := range []any{s.Delivery, s.Settings} {
			sameDefaults(t, kind, reflect.Indirect(reflect.ValueOf(settings)))
		}
	}
}

// sameDefaults compares the settings of a group, and of the groups in it.
func sameDefaults(t *testing.T, kind string, v reflect.Value) {
	t.Helper()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		said, told := f.Tag.Lookup("default")
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		group := f.Type.Kind() == reflect.Struct && !told && f.Type.NumField() > 0 && f.Type.Field(0).Tag.Get("yaml") != ""
		switch {
		case option == "inline", group:
			sameDefaults(t, kind, v.Field(i))
		case key == "", !told && v.Field(i).IsZero():
		default:
			if want, got := asJSON(t, valueOf(f.Type, said)), asJSON(t, v.Field(i).Interface()); want != got {
				t.Errorf("%s: the schema says that the default of %s is %s, and %s applies", kind, f.Name, want, got)
			}
		}
	}
}

// TestWhatAKindUsuallyGets: a mailbox gets no weighings where the file says nothing, as the schema says.
func TestWhatAKindUsuallyGets(t *testing.T) {
	said := map[string]string{}
	for _, one := range common("mail") {
		for _, m := range one.value.(keys) {
			if one.key == "entries" && m.key == "default" {
				said["entries"] = asJSON(t, m.value)
			}
		}
	}
	s, _ := NewSink("mail")
	if want := asJSON(t, s.Delivery.Entries); said["entries"] != want || strings.Contains(want, "weighing") {
		t.Errorf("the schema says %s, and %s applies", said["entries"], want)
	}
	if s, _ := NewSink("http"); asJSON(t, s.Delivery.Entries) != asJSON(t, deliver.Default().Entries) {
		t.Errorf("http gets %v", s.Delivery.Entries)
	}
}

// asJSON writes a setting; lengths of time in one spelling.
func asJSON(t *testing.T, v any) string {
	t.Helper()
	if text, ok := v.(string); ok {
		var d strict.Duration
		if d.UnmarshalText([]byte(text)) == nil {
			v = d
		}
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
