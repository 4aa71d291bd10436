package config

import (
	"bytes"
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"weighpost/gateway/settings"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
)

// Kept is a configuration as the journal keeps it: what Redacted, Hash, LayoutTexts and BalanceLayouts have given.
type Kept struct {
	Hash           string
	Redacted       []byte
	Layouts        map[string]string // source, by hash
	BalanceLayouts map[string]string // hash, by id of balance; nil in entries of older versions
}

// Keep gives the configuration as the journal keeps it.
func (c *Config) Keep() Kept {
	return Kept{c.Hash(), c.Redacted(), c.LayoutTexts(), c.BalanceLayouts()}
}

// BalanceLayouts gives the hash of the layout of each balance.
func (c *Config) BalanceLayouts() map[string]string {
	hashes := make(map[string]string, len(c.layouts))
	for id, l := range c.layouts {
		hashes[id] = l.Hash()
	}
	return hashes
}

// Policy reads what a kept configuration says of who adopts changes, without making the rest of it anew. Its hash is not
// looked at: where a policy is in force, Restore does.
func (k Kept) Policy() (settings.Config, error) {
	var said struct {
		Settings struct {
			Adopt string   `json:"adopt"`
			Over  []string `json:"over"`
		} `json:"settings"`
	}
	err := json.Unmarshal(k.Redacted, &said)
	return settings.Config{Adopt: said.Settings.Adopt, Over: said.Settings.Over}, err
}

func (k Kept) verify() error {
	if sum := sha256.Sum256(k.Redacted); "sha256:"+hex.EncodeToString(sum[:]) != k.Hash {
		return errors.New("it is not the one whose hash stands beside it")
	}
	return nil
}

// Restore makes the configuration anew that a journal keeps, without the file that it came from. What a journal does not keep,
// the part of an address after its question mark, is taken from beside, where that has the same. name is the path of the
// file that the result goes by. The result was validated, and says what was kept: nothing is guessed.
func Restore(name string, k Kept, beside *Config) (*Config, error) {
	if err := k.verify(); err != nil {
		return nil, err
	}
	said, err := members(k.Redacted)
	if err != nil {
		return nil, err
	}
	c := &Config{file: name}
	f := filler{withheld: withheld(beside)}
	if err := f.object(reflect.ValueOf(c).Elem(), said, ""); err != nil {
		return nil, err
	}
	if err := c.restoreLayouts(k, beside); err != nil {
		return nil, err
	}
	if faults := c.recheck(); len(faults) > 0 {
		return nil, faults
	}
	differences, err := Diff(k.Redacted, c.Redacted())
	if err != nil {
		return nil, err
	}
	for _, d := range differences {
		if d.From != "" || d.Key == "" { // a key that this version has and the other one had not has its default
			return nil, fmt.Errorf("it cannot be made anew: %s", d)
		}
	}
	return c, nil
}

// restoreLayouts gives each balance the layout that it had.
func (c *Config) restoreLayouts(k Kept, beside *Config) error {
	c.layouts = map[string]*layout.Layout{}
	for _, b := range c.Balances {
		hash := k.BalanceLayouts[b.ID]
		switch {
		case hash != "":
		case k.BalanceLayouts == nil && len(k.Layouts) == 1:
			for hash = range k.Layouts {
			}
		case k.BalanceLayouts == nil && beside != nil && beside.Layout(b.ID) != nil && k.Layouts[beside.Layout(b.ID).Hash()] != "":
			hash = beside.Layout(b.ID).Hash()
		}
		text, kept := k.Layouts[hash]
		if !kept {
			return fmt.Errorf("which layout balance %s had is not kept", b.ID)
		}
		l, err := layout.Parse(b.Layout, []byte(text))
		if err != nil {
			return fmt.Errorf("the layout of balance %s: %w", b.ID, err)
		}
		if l.Hash() != hash {
			return fmt.Errorf("the layout of balance %s is not the one whose hash stands beside it", b.ID)
		}
		c.layouts[b.ID] = l
	}
	return nil
}

// recheck validates a configuration that was put together in the program.
func (c *Config) recheck() strict.Faults {
	r := strict.NewReport(c.file)
	dir := filepath.Dir(c.file)
	c.check(r)
	c.checkBackup(r.At("backup"), dir)
	c.checkRetention(r.At("journal").At("retention"), dir)
	for i := range c.Balances {
		if l := c.layouts[c.Balances[i].ID]; l != nil {
			checkTogether(r.At("balances").Index(i), &c.Balances[i], l)
		}
	}
	c.notes = r.Notes()
	return r.Faults()
}

// withheld finds the texts of a configuration of which Redacted says a part only, by what it says.
func withheld(c *Config) map[string]string {
	all := map[string]string{}
	var look func(v reflect.Value)
	look = func(v reflect.Value) {
		switch v = inner(v); v.Kind() {
		case reflect.Struct:
			for _, p := range pairs(v) {
				look(p.value)
			}
		case reflect.Slice:
			for i := range v.Len() {
				look(v.Index(i))
			}
		case reflect.Map:
			for _, k := range v.MapKeys() {
				look(v.MapIndex(k))
			}
		case reflect.String:
			if text := v.String(); withoutQuery(text) != text {
				all[withoutQuery(text)] = text
			}
		}
	}
	if c != nil {
		look(reflect.ValueOf(*c))
	}
	return all
}

// filler is the inverse of write.
type filler struct{ withheld map[string]string }

func (f filler) object(v reflect.Value, said map[string]any, path string) error {
	if sink, ok := v.Addr().Interface().(*Sink); ok {
		kind, _ := said["kind"].(string)
		fresh, known := NewSink(kind)
		if !known {
			return fmt.Errorf("%s: %.40q is no kind of sink", path, kind)
		}
		*sink = fresh
	}
	left := map[string]bool{}
	for key := range said {
		left[key] = true
	}
	for _, p := range pairs(v) {
		value, there := said[p.key]
		if delete(left, p.key); !there {
			continue
		}
		if err := f.fill(p.value, value, strings.TrimPrefix(path+"."+p.key, ".")); err != nil {
			return err
		}
	}
	for key := range left {
		if !silent(text(said[key])) {
			return fmt.Errorf("%s: this version does not know it", strings.TrimPrefix(path+"."+key, "."))
		}
	}
	return nil
}

func (f filler) fill(v reflect.Value, said any, path string) error {
	wrong := fmt.Errorf("%s is not of the form that it should be", path)
	if _, ok := v.Interface().(encoding.TextMarshaler); ok && said != nil {
		return f.marshalled(v, said, wrong)
	}
	switch v.Kind() {
	case reflect.Pointer:
		if said == nil {
			v.SetZero()
			return nil
		}
		fresh := reflect.New(v.Type().Elem())
		v.Set(fresh)
		return f.fill(fresh.Elem(), said, path)
	case reflect.Struct:
		if o, ok := said.(map[string]any); ok {
			return f.object(v, o, path)
		}
	case reflect.Map:
		if o, ok := said.(map[string]any); ok {
			return f.table(v, o, path)
		}
	case reflect.Slice:
		if list, ok := said.([]any); ok {
			return f.list(v, list, path)
		}
	default:
		if f.plain(v, said) {
			return nil
		}
	}
	return wrong
}

// marshalled fills a value that has a text of its own.
func (f filler) marshalled(v reflect.Value, said any, wrong error) error {
	text, ok := said.(string)
	if !ok {
		return wrong
	}
	if v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	zero, _ := reflect.Zero(v.Type()).Interface().(encoding.TextMarshaler)
	if b, err := zero.MarshalText(); err == nil && string(b) == text {
		v.SetZero()
		return nil
	}
	into, ok := v.Addr().Interface().(encoding.TextUnmarshaler)
	if !ok || into.UnmarshalText([]byte(text)) != nil {
		return wrong
	}
	return nil
}

func (f filler) table(v reflect.Value, said map[string]any, path string) error {
	v.SetZero()
	for key, value := range said {
		if v.IsNil() {
			v.Set(reflect.MakeMap(v.Type()))
		}
		one := reflect.New(v.Type().Elem()).Elem()
		if err := f.fill(one, value, path+"."+key); err != nil {
			return err
		}
		v.SetMapIndex(reflect.ValueOf(key).Convert(v.Type().Key()), one)
	}
	return nil
}

func (f filler) list(v reflect.Value, said []any, path string) error {
	v.SetZero()
	for i, value := range said {
		one := reflect.New(v.Type().Elem()).Elem()
		if err := f.fill(one, value, path+"["+strconv.Itoa(i)+"]"); err != nil {
			return err
		}
		v.Set(reflect.Append(v, one))
	}
	return nil
}

func (f filler) plain(v reflect.Value, said any) bool {
	switch s := said.(type) {
	case string:
		if v.Kind() != reflect.String {
			return false
		}
		if whole, known := f.withheld[s]; known {
			s = whole
		}
		v.SetString(s)
		return true
	case bool:
		if v.Kind() == reflect.Bool {
			v.SetBool(s)
		}
		return v.Kind() == reflect.Bool
	case json.Number:
		switch {
		case v.CanInt():
			n, err := s.Int64()
			if err == nil && !v.OverflowInt(n) {
				v.SetInt(n)
				return true
			}
		case v.CanUint():
			n, err := strconv.ParseUint(s.String(), 10, 64)
			if err == nil && !v.OverflowUint(n) {
				v.SetUint(n)
				return true
			}
		case v.CanFloat():
			n, err := s.Float64()
			v.SetFloat(n)
			return err == nil
		}
	}
	return false
}

// Sections names the parts at the top of the file, in its order, but for the site's name, which never changes.
func Sections() (list []string) {
	for f := range reflect.TypeFor[Config]().Fields() {
		if key, _, _ := strings.Cut(f.Tag.Get("yaml"), ","); key != "" && key != "-" && key != "site" {
			list = append(list, key)
		}
	}
	return list
}

// Differing lists the parts in which two configurations differ, as Sections names them; layouts belong to balances.
func Differing(a, b *Config) (list []string) {
	for _, key := range append([]string{"site"}, Sections()...) {
		if !bytes.Equal(a.part(key), b.part(key)) || key == "balances" && !reflect.DeepEqual(a.BalanceLayouts(), b.BalanceLayouts()) {
			list = append(list, key)
		}
	}
	return list
}

// part is what Redacted says of one part.
func (c *Config) part(key string) []byte {
	var b bytes.Buffer
	for _, p := range pairs(reflect.ValueOf(*c)) {
		if p.key == key {
			write(&b, p.value)
		}
	}
	return b.Bytes()
}

// With is the configuration with some parts as another one has them. The faults say why the two do not fit together.
func (c *Config) With(other *Config, sections []string) (*Config, strict.Faults) {
	next := *c
	from, to := reflect.ValueOf(other).Elem(), reflect.ValueOf(&next).Elem()
	for i := range to.NumField() {
		key, _, _ := strings.Cut(to.Type().Field(i).Tag.Get("yaml"), ",")
		if key != "" && slices.Contains(sections, key) {
			to.Field(i).Set(from.Field(i))
		}
	}
	if slices.Contains(sections, "balances") {
		next.layouts = other.layouts
	}
	if faults := next.recheck(); len(faults) > 0 {
		return nil, faults
	}
	return &next, nil
}

// Sentences says what differs between two configurations in some parts, layouts among them.
func Sentences(before, after *Config, sections []string) (list []string) {
	differences, err := Diff(before.Redacted(), after.Redacted())
	if err != nil {
		return []string{"what differs cannot be said: " + err.Error()}
	}
	for _, d := range differences {
		if slices.Contains(sections, d.Section()) {
			list = append(list, d.String())
		}
	}
	if !slices.Contains(sections, "balances") {
		return list
	}
	for _, b := range after.Balances {
		if from, to := before.Layout(b.ID), after.Layout(b.ID); from != nil && to != nil && from.Hash() != to.Hash() {
			list = append(list, fmt.Sprintf("balance %s: the layout was changed from %s to %s", b.ID, from.Hash(), to.Hash()))
		}
	}
	return list
}

// Section is the part of the configuration that a difference is in, as Sections names it.
func (d Difference) Section() string {
	for list, part := range lists {
		if d.Part == part {
			return list
		}
	}
	if d.Part == plainPart {
		return d.Key
	}
	return d.Part
}

// ChangeID is a hash of what some parts of a configuration are and what they would be: whoever names it has seen both.
func ChangeID(before, after *Config, sections []string) string {
	h := sha256.New()
	h.Write([]byte("weighpost change of settings\n"))
	for _, key := range slices.Sorted(slices.Values(sections)) {
		fmt.Fprintf(h, "%s\n%s\n%s\n", key, before.part(key), after.part(key))
		if key == "balances" {
			for _, c := range []*Config{before, after} {
				b, _ := json.Marshal(c.BalanceLayouts()) // a map of texts
				fmt.Fprintf(h, "%s\n", b)
			}
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// As gives the configuration another file's name, site and journal folder: what a journal is found by is nothing that it could
// keep of itself.
func (c *Config) As(other *Config) *Config {
	next := *c
	next.file, next.Site, next.Journal.Folder = other.file, other.Site, other.Journal.Folder
	return &next
}
