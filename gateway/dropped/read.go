package dropped

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"unicode"
	"unicode/utf8"

	"weighpost/gateway/record"
)

// Bounds of one file.
const (
	mostBytes = 1 << 20
	mostName  = 120 // bytes of a name
	mostRows  = 10_000
)

// What a file holds, by the end of its name.
const (
	endRequests   = ".json"
	endSamples    = ".samples.json"
	endSamplesCSV = ".samples.csv"
	endRuns       = ".requests.json"
)

// unfit says why nothing of a file can be taken, in a sentence for whoever wrote it.
type unfit struct{ why string }

func (u *unfit) Error() string { return u.why }

// ends gives the end of a name that says what the file holds; "" for a file that is none of ours.
func ends(name string) string {
	low := strings.ToLower(name)
	for _, end := range []string{endSamplesCSV, endSamples, endRuns, endRequests} {
		if strings.HasSuffix(low, end) {
			return end
		}
	}
	return ""
}

// ours says whether a file is to be taken: not one that is still being written, nor one that is something else.
func ours(name string) bool { return ends(name) != "" && name[0] != '.' }

// sound says whether a name can be shown and used as it is.
func sound(name string) bool {
	return len(name) <= mostName && utf8.ValidString(name) && strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }) < 0
}

// read reads a file that lies in working, whatever somebody who may write there has put in its place.
func read(root *os.Root, path string) ([]byte, fs.FileInfo, error) {
	seen, err := root.Lstat(path)
	switch {
	case err != nil:
		return nil, nil, err
	case !seen.Mode().IsRegular():
		return nil, seen, &unfit{"It is no regular file: links, devices and pipes are not read."}
	case links(seen) > 1:
		return nil, seen, &unfit{"It has another name elsewhere (a hard link): write a file of its own."}
	case seen.Size() > mostBytes:
		return nil, seen, &unfit{fmt.Sprintf("It has %d bytes: at most %d are taken.", seen.Size(), mostBytes)}
	}
	f, err := root.OpenFile(path, os.O_RDONLY|openFlags, 0)
	if errors.Is(err, fs.ErrPermission) {
		return nil, seen, &unfit{"It cannot be read: weighpost has no permission."}
	}
	if err != nil {
		return nil, seen, err
	}
	defer f.Close()
	now, err := f.Stat()
	if err != nil {
		return nil, seen, err
	}
	if !now.Mode().IsRegular() || !os.SameFile(seen, now) {
		return nil, seen, &unfit{"It was replaced while it was read."}
	}
	b, err := io.ReadAll(io.LimitReader(f, mostBytes+1))
	if err == nil && len(b) > mostBytes {
		return nil, seen, &unfit{fmt.Sprintf("It grew to more than %d bytes.", mostBytes)}
	}
	return b, seen, err
}

// content is what a file asks for: requests, samples, or runs.
type content struct {
	runs     []record.RequestSent
	requests []record.DroppedRequest
	samples  *record.SampleList
}

// parse reads what a file of a name holds. The error is an *unfit.
func parse(name string, b []byte) (c content, err error) {
	b = bytes.TrimPrefix(b, []byte("\ufeff")) // RFC 8259 section 8.1 allows to ignore it; CSV files of spreadsheets begin with it
	switch ends(name) {
	case endRequests:
		c.requests, err = record.ParseDropped(b)
	case endRuns:
		c.runs, _, err = record.ParseLabRequests(b, "")
	case endSamples:
		var list record.SampleList
		list, err = record.ParseSamples(b)
		c.samples = &list
	case endSamplesCSV:
		var list []record.Sample
		list, err = parseCSV(b)
		c.samples = &record.SampleList{Samples: list}
	default:
		err = errors.New("its name cannot be used: at most 120 bytes of UTF-8 that can be seen, with .json, .requests.json, .samples.json or .samples.csv at the end")
	}
	if err != nil {
		return content{}, &unfit{sentence(err.Error())}
	}
	return c, nil
}

// parseCSV reads samples from a table as in RFC 4180, whose first row names the columns: id, lot, method, run and expires; any other is a
// field of that name. A cell that is empty says nothing. The error names the line.
func parseCSV(b []byte) ([]record.Sample, error) {
	if !utf8.Valid(b) {
		return nil, errors.New("it is not UTF-8 text")
	}
	r := csv.NewReader(bytes.NewReader(b))
	r.ReuseRecord = true
	header, err := r.Read()
	if err == io.EOF {
		return nil, errors.New("it is empty: the first row names the columns")
	}
	if err != nil {
		return nil, csvFault(err)
	}
	columns := append([]string(nil), header...)
	if err := checkColumns(columns); err != nil {
		return nil, err
	}
	var list []record.Sample
	for {
		row, err := r.Read()
		if err == io.EOF {
			return list, nil
		}
		if err != nil {
			return nil, csvFault(err)
		}
		line, _ := r.FieldPos(0)
		if len(list) == mostRows {
			return nil, fmt.Errorf("it has more than %d samples", mostRows)
		}
		s, err := sampleOf(columns, row)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		list = append(list, s)
	}
}

// csvFault says what a table breaks, and where.
func csvFault(err error) error {
	var at *csv.ParseError
	if errors.As(err, &at) {
		why := at.Err.Error()
		if errors.Is(at.Err, csv.ErrFieldCount) {
			why = "it has another number of cells than the first row"
		}
		return fmt.Errorf("line %d is no row of a table as in RFC 4180: %s", at.Line, why)
	}
	return err
}

func checkColumns(columns []string) error {
	seen := map[string]bool{}
	for _, name := range columns {
		if seen[name] {
			return fmt.Errorf("the column %.63q is there twice", name)
		}
		seen[name] = true
		switch name {
		case "id", record.ItemLot, record.ItemMethod, record.ItemRun, "expires":
			continue
		}
		if err := record.CheckFieldName(name); err != nil {
			return fmt.Errorf("the name %.63q of a column %w (columns are id, lot, method, run, expires and names of fields, with commas between)", name, err)
		}
	}
	if !seen["id"] {
		return errors.New("no column is named id")
	}
	return nil
}

func sampleOf(columns, row []string) (s record.Sample, err error) {
	for i, cell := range row {
		if cell == "" {
			continue
		}
		cell = strings.Clone(cell)
		switch name := columns[i]; name {
		case "id":
			s.ID = cell
		case record.ItemLot:
			s.Lot = cell
		case record.ItemMethod:
			s.Method = cell
		case record.ItemRun:
			s.Run = cell
		case "expires":
			if s.Expires, err = record.ParseExpires(cell); err != nil {
				return s, err
			}
		default:
			if s.Fields == nil {
				s.Fields = map[string]string{}
			}
			s.Fields[name] = cell
		}
	}
	return s, s.Check()
}

// sentence has a text begin with a capital and end with a full stop.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(r)) + text[n:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}
