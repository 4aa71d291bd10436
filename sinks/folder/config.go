package folder

import (
	"bytes"
	"errors"
	"path"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// Names where a person gives none, without the end that the format gives them.
const (
	EntryName = "{balance}/{day}/{id}"
	BatchName = "{batch}"
)

// Collects is Collects of a sink's configuration with this choice and name.
func Collects(c *format.Choice, name string) (bool, string) {
	if !c.Can(format.Together) {
		return false, "another format: " + c.Format + " is no format of closed files"
	}
	if n, err := ParseName(name); name != "" && err == nil && !n.Uses(Batch) {
		return false, "a name with {batch}, such as " + BatchName + ", or no name"
	}
	return true, ""
}

// Carries says which kinds of entry a choice can hold. Of a format that there is not, nothing is said: that is a fault already.
func Carries(c *format.Choice, k record.Kind) bool {
	known := c.Can(format.OneByOne) || c.Can(format.Together) || c.Can(format.Added)
	return c.Carries(k) || !known
}

// Check adds the faults of how a sink without files that entries are added to names and writes its files. r stands where the
// sink's keys do.
func Check(r *strict.Report, c *format.Choice, name string) {
	use := format.OneByOne
	if r.At("closed").Written() {
		use = format.Together
	}
	c.Check(r, use)
	if name == "" {
		return
	}
	n, err := ParseName(name)
	switch {
	case err != nil:
		r.At("name").Fault(err.Error(), "letters, digits, - _ . and / with fields in braces: "+FieldNames())
	case use == format.Together && !n.Uses(Batch):
		r.At("name").Fault("does not tell closed files apart: with closed, the name must hold {batch}", BatchName)
	case use == format.OneByOne && n.Uses(Batch):
		r.At("name").Fault("holds {batch}, and no closed period is set", "closed: day, or a name with {id}")
	case use == format.OneByOne && !n.TellsApart(c):
		r.At("name").Fault("does not tell entries apart: with one file for each entry, the name must hold {id}", EntryName)
	}
}

// Preview gives the file of an entry in a place. With closed it is one of many in a file, and what is shown is the file with it
// alone: when the others come, and what the batch is called, is not known before it is closed.
func (f *Filing) Preview(place string, e record.Entry, closed bool) (sinks.Shown, error) {
	if !closed && f.Name != nil {
		name, err := f.Name.Render(e)
		if err != nil {
			return sinks.Shown{}, err
		}
		return format.Preview(f.Format, e, path.Join(place, name))
	}
	if f.Closed == nil {
		return sinks.Shown{}, errors.New("the name of the files has no {batch} in it, which tells closed files apart")
	}
	name := f.Closed.render(func(field string) string {
		if field == Batch {
			return "{" + Batch + "}"
		}
		return format.SafeName(f.Site)
	})
	var body bytes.Buffer
	s, err := f.Format.Stream(&body)
	if err == nil {
		err = s.Add(e)
	}
	if err == nil {
		err = s.Close()
	}
	return sinks.Shown{To: path.Join(place, name), Type: f.Format.Type(), Body: body.Bytes()}, err
}
