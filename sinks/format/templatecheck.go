package format

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"text/template/parse"
	"unicode/utf8"

	"weighpost/gateway/record"
)

const (
	templateName = "text"
	tickName     = "_tick" // no template can name it: an underscore in front is refused below
)

// compile parses a template and refuses what it must not do. Errors begin with line and column.
func compile(text string) (*template.Template, error) {
	if !utf8.ValidString(text) {
		return nil, fmt.Errorf("it is not UTF-8")
	}
	t, err := parseTemplate(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %s", position(text, wrongAt(text)), afterLine(err))
	}
	if t.Tree == nil || parse.IsEmptyTree(t.Root) {
		return nil, fmt.Errorf("1:1: it prints nothing")
	}
	c := &checker{text: text, t: t, calls: map[string][]string{}}
	for _, one := range t.Templates() {
		if one.Tree == nil {
			continue
		}
		c.in = one.Name()
		c.node(one.Root)
	}
	if c.err == nil {
		c.recursion()
	}
	if c.err != nil {
		return nil, c.err
	}
	return t, nil
}

func parseTemplate(text string) (*template.Template, error) {
	return template.New(templateName).Option("missingkey=error").Funcs((&budget{}).funcs()).Parse(text)
}

// wrongAt finds the action at which a template that cannot be parsed goes wrong: the last one of the shortest beginning that is
// wrong in itself, and not for want of what follows.
func wrongAt(text string) int {
	var ends []int
	for i := range len(text) - 1 {
		if text[i:i+2] == "}}" {
			ends = append(ends, i+2)
		}
	}
	n, _ := slices.BinarySearchFunc(ends, true, func(end int, _ bool) int {
		_, err := parseTemplate(text[:end])
		if err != nil && !strings.Contains(err.Error(), "unexpected EOF") {
			return 1
		}
		return -1
	})
	end := len(text)
	if n < len(ends) {
		end = ends[n]
	}
	return max(0, strings.LastIndex(text[:end], "{{"))
}

// position writes a place in a text as line:column, both from 1.
func position(text string, at int) string {
	line := strings.Count(text[:at], "\n")
	begin := strings.LastIndexByte(text[:at], '\n') + 1
	return strconv.Itoa(line+1) + ":" + strconv.Itoa(utf8.RuneCountInString(text[begin:at])+1)
}

// afterLine is what an error of text/template says after the name and the line.
func afterLine(err error) string {
	_, said, found := strings.Cut(sentence(err), ": ")
	if !found {
		return err.Error()
	}
	return said
}

// checker walks a parsed template, and has it count its steps.
type checker struct {
	text  string
	t     *template.Template
	in    string              // the template that is walked
	calls map[string][]string // which templates a template calls
	cost  int                 // commands in the pieces of the list that is walked
	err   error
}

func (c *checker) fault(n parse.Node, format string, args ...any) {
	if c.err == nil {
		c.err = fmt.Errorf("%s: %s", position(c.text, int(n.Position())), fmt.Sprintf(format, args...))
	}
}

func (c *checker) node(n parse.Node) {
	switch n := n.(type) {
	case *parse.ListNode:
		c.list(n)
	case *parse.ActionNode:
		c.pipe(n.Pipe)
	case *parse.IfNode:
		c.branch(&n.BranchNode)
	case *parse.RangeNode:
		c.branch(&n.BranchNode)
	case *parse.WithNode:
		c.branch(&n.BranchNode)
	case *parse.TemplateNode:
		c.calls[c.in] = append(c.calls[c.in], n.Name)
		if one := c.t.Lookup(n.Name); one == nil || one.Tree == nil {
			c.fault(n, "there is no template %q", n.Name)
		}
		c.pipe(n.Pipe)
	case *parse.FieldNode:
		c.names(n, n.Ident)
	case *parse.VariableNode:
		c.names(n, n.Ident[1:])
	case *parse.ChainNode:
		c.names(n, n.Field)
		c.node(n.Node)
	case *parse.PipeNode:
		c.pipe(n)
	case *parse.IdentifierNode:
		if _, ours := pureFuncs[n.Ident]; !ours && !builtins[n.Ident] {
			c.fault(n, "%q is no function here: there are %s", n.Ident, strings.Join(funcNames(), ", "))
		}
	}
}

func (c *checker) branch(b *parse.BranchNode) {
	c.pipe(b.Pipe)
	c.list(b.List)
	if b.ElseList != nil {
		c.list(b.ElseList)
	}
}

func (c *checker) pipe(p *parse.PipeNode) {
	if p == nil {
		return
	}
	for _, command := range p.Cmds {
		c.cost++
		for _, arg := range command.Args {
			c.node(arg)
		}
	}
}

// list walks the pieces and puts in front of them what counts them: each piece, and each command in it, of which one piece may hold
// thousands.
func (c *checker) list(l *parse.ListNode) {
	if l == nil {
		return
	}
	outer := c.cost
	c.cost = len(l.Nodes)
	for _, n := range l.Nodes {
		c.node(n)
	}
	own := c.cost
	c.cost = outer // a list within pays for itself, each time that it is carried out
	counting, err := template.New(templateName).Funcs(template.FuncMap{tickName: (&budget{}).tick}).
		Parse("{{" + tickName + " " + strconv.Itoa(own) + "}}")
	if err != nil {
		panic("format: what counts the steps of a template is none: " + err.Error())
	}
	l.Nodes = append(counting.Root.Nodes, l.Nodes...)
}

// names refuses a field that no kind of entry has, so that a slip of the pen shows at once. The names of free fields are free.
func (c *checker) names(n parse.Node, names []string) {
	for _, name := range names {
		if !fieldNames[name] {
			c.fault(n, "no entry has a field %q", name)
			return
		}
		if name == "fields" {
			return
		}
	}
}

// recursion refuses templates that call themselves, also by way of others.
func (c *checker) recursion() {
	state := map[string]int{} // 1: being walked, 2: done
	var walk func(name string) bool
	walk = func(name string) bool {
		switch state[name] {
		case 1:
			return false
		case 2:
			return true
		}
		state[name] = 1
		for _, called := range c.calls[name] {
			if !walk(called) {
				return false
			}
		}
		state[name] = 2
		return true
	}
	for _, name := range slices.Sorted(maps.Keys(c.calls)) {
		if !walk(name) {
			c.err = fmt.Errorf("1:1: the template %q calls itself", name)
			return
		}
	}
}

func funcNames() []string {
	return slices.Sorted(maps.Keys(func() map[string]bool {
		all := maps.Clone(builtins)
		for name := range pureFuncs {
			all[name] = true
		}
		return all
	}()))
}

// fieldNames are the names of all fields of all kinds of entry, at any depth.
var fieldNames = func() map[string]bool {
	all, seen := map[string]bool{}, map[reflect.Type]bool{}
	var add func(t reflect.Type)
	add = func(t reflect.Type) {
		for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice || t.Kind() == reflect.Map {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct || seen[t] {
			return
		}
		seen[t] = true
		for i := range t.NumField() {
			f := t.Field(i)
			if name, _, _ := strings.Cut(f.Tag.Get("json"), ","); name != "" && name != "-" {
				all[name] = true
			}
			add(f.Type)
		}
	}
	for _, k := range record.Kinds() {
		add(reflect.TypeOf(record.NewBody(k)))
	}
	return all
}()
