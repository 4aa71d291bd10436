package strict

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// parse turns the text of a file into our tree. The tree is nil if the text is no YAML at all.
func parse(name string, src []byte) (root *node, faults Faults) {
	src = bytes.TrimPrefix(src, []byte("\ufeff")) // some editors begin a file with a byte order mark
	if f := checkText(src); f != nil {
		f.File = name
		return nil, Faults{*f}
	}
	// The parser is not ours. A panic in it is a fault of this file as far as the person is concerned.
	defer func() {
		if r := recover(); r != nil {
			root = nil
			faults = Faults{{File: name, Line: 1, Column: 1, What: fmt.Sprintf("cannot be read as YAML: the parser gave up (%v)", r)}}
		}
	}()
	// A block of text in the last line loses its trailing spaces in the lexer where the file's last line end is missing.
	tokens := lexer.Tokenize(strings.TrimSuffix(string(src), "\n") + "\n")
	// Before the parser sees them: its time grows with the square of the depth.
	if tk := tooDeep(tokens); tk != nil {
		line, col := place(tk)
		return nil, Faults{{File: name, Line: line, Column: col, What: fmt.Sprintf("lies more than %d levels deep", maxDepth)}}
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, Faults{syntax(name, err)}
	}
	return tree(name, strings.Split(string(src), "\n"), file, tokens)
}

// checkText refuses what is no text, with the place of the first such byte.
func checkText(src []byte) *Fault {
	if len(src) > maxBytes {
		return &Fault{Line: 1, Column: 1, What: fmt.Sprintf("has %d bytes", len(src)), Allowed: "at most 1 MiB"}
	}
	line, col := 1, 1
	for i := 0; i < len(src); {
		r, size := utf8.DecodeRune(src[i:])
		switch {
		case r == utf8.RuneError && size == 1:
			return &Fault{Line: line, Column: col, What: fmt.Sprintf("the byte 0x%02X is no UTF-8: save the file as UTF-8", src[i])}
		case r < 0x20 && r != '\t' && r != '\n' && r != '\r', r == 0x7F, r == 0xFEFF:
			return &Fault{Line: line, Column: col,
				What: fmt.Sprintf("the control character U+%04X cannot stand in a file: write it as an escape in double quotes", r)}
		}
		i += size
		col++
		if r == '\n' || r == '\r' && (i >= len(src) || src[i] != '\n') {
			line, col = line+1, 1
		}
	}
	return nil
}

// tooDeep gives the first token that lies too deep. Columns tell the depth of block style: an outer key or dash stands
// further left. It may count too few levels, by half at most, never too many; the tree is counted exactly.
func tooDeep(tokens token.Tokens) *token.Token {
	flow := 0
	var block []int
	for _, tk := range tokens {
		switch tk.Type {
		case token.SequenceStartType, token.MappingStartType:
			flow++
		case token.SequenceEndType, token.MappingEndType:
			flow = max(flow-1, 0)
		case token.SequenceEntryType, token.MappingKeyType, token.MappingValueType:
			if flow > 0 {
				continue
			}
			col := tk.Position.Column
			if tk.Type == token.MappingValueType && tk.Prev != nil {
				col = tk.Prev.Position.Column
			}
			for len(block) > 0 && block[len(block)-1] > col {
				block = block[:len(block)-1]
			}
			if len(block) == 0 || block[len(block)-1] < col {
				block = append(block, col)
			}
		}
		if flow+len(block) > maxDepth {
			return tk
		}
	}
	return nil
}

// tree builds our tree from the one document that a file may hold.
func tree(name string, lines []string, file *ast.File, tokens token.Tokens) (*node, Faults) {
	b := &builder{name: name, lines: lines, used: map[*token.Token]bool{}}
	var body ast.Node
	for _, doc := range file.Docs {
		if d, ok := doc.Body.(*ast.DirectiveNode); ok {
			b.fault(d.GetToken(), "", "directives (%) are not used here: leave the line out", "")
			return nil, b.faults
		}
		switch {
		case doc.Start != nil && body != nil:
			b.fault(doc.Start, "", "a second document begins here: a file holds one", "")
			return nil, b.faults
		case doc.Body != nil && body != nil:
			b.fault(doc.Body.GetToken(), "", "a second document begins here: a file holds one", "")
			return nil, b.faults
		case doc.Body != nil:
			body = doc.Body
		case doc.Start != nil && len(file.Docs) > 1:
			b.fault(doc.Start, "", "an empty document begins here: a file holds one document", "")
			return nil, b.faults
		}
	}
	if body == nil || body.Type() == ast.NullType || body.Type() == ast.CommentGroupType {
		return nil, Faults{{File: name, Line: 1, Column: 1, What: "the file is empty"}}
	}
	root := b.build(body, "", 0)
	for _, tk := range tokens {
		if shared(tk) {
			b.fault(tk, "", "a document mark (--- or ...) stands in a line of its own", "")
		}
		if tightColon(tk) {
			b.fault(tk, "", "after the colon between a key and its value there is a space; a text that holds a colon is put in quotes here", "")
		}
		if carriesText(tk) && !b.used[tk] && len(b.faults) == 0 {
			b.fault(tk, "", fmt.Sprintf("%s belongs to nothing here: look at the indentation and the punctuation around it", show(tk.Value)), "")
		}
	}
	return root, b.faults
}

// carriesText says whether a token holds something that a person wrote to be read, and not only structure.
func carriesText(tk *token.Token) bool {
	switch tk.Type {
	case token.StringType, token.SingleQuoteType, token.DoubleQuoteType, token.IntegerType, token.FloatType,
		token.BinaryIntegerType, token.OctetIntegerType, token.HexIntegerType, token.InfinityType, token.NanType,
		token.NullType, token.BoolType, token.MergeKeyType, token.TagType, token.AnchorType, token.AliasType:
		return true
	}
	return false
}
