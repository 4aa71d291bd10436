package strict

import (
	"fmt"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// This file refuses what the parser takes and YAML does not, or takes for something else than it says. Each case was
// found by comparing it with another YAML library (see FuzzLoad).

// plain refuses an unquoted text that begins with a character that has a meaning of its own (YAML 1.2.2, production 126
// ns-plain-first), a tab in it, which is lost, and a text that goes on in the next line other than as a block, which is
// joined wrongly in places.
func (b *builder) plain(tk *token.Token, path string) {
	origin := strings.TrimSpace(tk.Origin)
	if strings.ContainsAny(origin, "\r\n") {
		b.fault(tk, path, "the text goes on in the next line: keep it in one, or write a block (| after the colon)", "")
		return
	}
	if quoted(tk) || tk.Value == "" {
		return
	}
	lone := strings.ContainsRune("-?:", rune(tk.Value[0])) && (len(tk.Value) == 1 || tk.Value[1] == ' ')
	switch {
	case strings.Contains(origin, "\t"):
		b.fault(tk, path, "a tab in a text without quotes would be lost: put the text in double quotes and write \\t", "")
	case lone || strings.ContainsRune(",[]{}#&*!|>'\"%@`", rune(tk.Value[0])):
		b.fault(tk, path, fmt.Sprintf("%s begins with a character that has a meaning of its own: put the text in quotes", show(tk.Value)), "")
	}
}

// block refuses a folded block, whose lines are joined wrongly in places, an empty one, and a block whose trailing spaces
// the parser drops: one that is written with |-.
func (b *builder) block(v *ast.LiteralNode, path string) {
	if strings.HasPrefix(v.GetToken().Value, ">") {
		b.fault(v.GetToken(), path, "folded text (>) is not used here: write it in one line, or as a block with |", "")
		return
	}
	if strings.Trim(v.Value.Value, "\r\n") == "" {
		b.fault(v.GetToken(), path, "the block of text that begins here is empty or not indented", "")
		return
	}
	if !strings.Contains(v.GetToken().Value, "-") {
		return
	}
	lines := strings.Split(v.Value.GetToken().Origin, "\n")
	for len(lines) > 0 && strings.TrimSpace(lines[len(lines)-1]) == "" {
		lines = lines[:len(lines)-1]
	}
	if len(lines) == 0 {
		return
	}
	if last := strings.TrimSuffix(lines[len(lines)-1], "\r"); strings.TrimRight(last, " \t") != last {
		b.fault(v.GetToken(), path, "the block ends with spaces, which would be lost: put the text in quotes", "")
	}
}

// inside refuses a value in a later line that does not stand further right than its key or dash: the parser hangs on it
// what YAML has as the next key. A list may stand right below its key.
func (b *builder) inside(owner *token.Token, value *node, path string, dash bool) {
	line, col := place(owner)
	if value.line <= line || value.kind == null || value.kind == refused {
		return
	}
	if value.kind == list && !dash {
		col--
	}
	if value.col <= col {
		b.faults = append(b.faults, Fault{File: b.name, Line: value.line, Column: value.col, Path: path,
			What: fmt.Sprintf("stands too far left to belong to line %d: indent it, or give that line a value of its own", line)})
		value.kind = refused
	}
}

// closed says whether nothing stands between a key in quotes and its colon. The parser drops a lone ! there.
func (b *builder) closed(colon *token.Token) bool {
	line, col := place(colon)
	if line > len(b.lines) {
		return true
	}
	text := []rune(b.lines[line-1])
	if col-1 > len(text) {
		return true
	}
	before := strings.TrimRight(string(text[:col-1]), " \t")
	return strings.HasSuffix(before, "\"") || strings.HasSuffix(before, "'")
}

// shared finds a document mark (--- or ...) that does not have its line for itself.
func shared(tk *token.Token) bool {
	mark := tk.Type == token.DocumentHeaderType || tk.Type == token.DocumentEndType
	return mark && tk.Next != nil && tk.Next.Type != token.CommentType && tk.Next.Position.Line == tk.Position.Line
}

// tightColon finds {a:b}, which YAML has as one text "a:b" without a value and the parser as a key with a value.
func tightColon(tk *token.Token) bool {
	if tk.Type != token.MappingValueType || tk.Prev == nil || quoted(tk.Prev) || tk.Next == nil {
		return false
	}
	return carriesText(tk.Next) && tk.Next.Position.Line == tk.Position.Line && tk.Next.Position.Column == tk.Position.Column+1
}
