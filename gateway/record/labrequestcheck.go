package record

import (
	"fmt"
	"maps"
	"slices"
	"unicode"
	"unicode/utf8"
)

// Bounds of one request, beyond those of its ids.
const (
	MostRequestItems      = 500
	mostRequestParameters = 100
	mostRequestVersion    = 1_000_000
	mostRequestText       = 500 // characters of a parameter, and of a field
	usualPriority         = 5
	lastPriority          = 9
)

// Check fills in what a request leaves out, and says why it cannot be taken whatever is known, or nil. What its procedure, parameters and
// balance mean is not looked at.
func (l *LabRequest) Check() error {
	if l.Priority == 0 {
		l.Priority = usualPriority
	}
	if l.Items == nil {
		l.Items = []RunItem{}
	}
	for _, one := range []struct {
		name, value string
		needed      bool
	}{{"from", l.From, true}, {"id", l.ID, true}, {"procedure", l.Procedure, true}, {"balance", l.Balance, false}, {"job", l.Job, false}, {"task", l.Task, false}} {
		if one.value == "" && !one.needed {
			continue
		}
		if err := CheckContextID(one.value); err != nil {
			return fmt.Errorf("%s %w", one.name, err)
		}
	}
	switch {
	case l.Priority < 1 || l.Priority > lastPriority:
		return fmt.Errorf("priority is %d: 1 is first, and %d last", l.Priority, lastPriority)
	case l.Version < 0 || l.Version > mostRequestVersion:
		return fmt.Errorf("version is %d: name one that is adopted, or leave it out", l.Version)
	case len(l.Items) > MostRequestItems:
		return fmt.Errorf("it has %d items: at most %d are taken", len(l.Items), MostRequestItems)
	case len(l.Parameters) > mostRequestParameters:
		return fmt.Errorf("it has %d parameters: at most %d are taken", len(l.Parameters), mostRequestParameters)
	}
	for i := range l.Items {
		if err := l.Items[i].check(); err != nil {
			return fmt.Errorf("item %d: %w", i+1, err)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(l.Parameters)) {
		if err := checkGiven(name, l.Parameters[name]); err != nil {
			return fmt.Errorf("the parameter %.40q %w", name, err)
		}
	}
	return checkGivenBack(l.Fields)
}

func (i *RunItem) check() error {
	if i.Sample == "" && i.Container == "" {
		return fmt.Errorf("neither sample nor container is named")
	}
	for _, one := range []struct{ name, value string }{{"sample", i.Sample}, {"lot", i.Lot}, {"container", i.Container}} {
		if one.value == "" {
			continue
		}
		if err := CheckContextID(one.value); err != nil {
			return fmt.Errorf("%s %w", one.name, err)
		}
	}
	if i.Position < 0 || i.Position > MostRequestItems {
		return fmt.Errorf("position is %d: 1 to %d, or left out", i.Position, MostRequestItems)
	}
	return checkGivenBack(i.Fields)
}

// checkGivenBack looks at fields that mean nothing here, and go back to their sender as they are.
func checkGivenBack(fields map[string]string) error {
	if len(fields) > maxContextField {
		return fmt.Errorf("it has %d fields: at most %d are taken", len(fields), maxContextField)
	}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		if err := checkGiven(name, fields[name]); err != nil {
			return fmt.Errorf("the field %.40q %w", name, err)
		}
	}
	return nil
}

// checkGiven looks at a name and its text.
func checkGiven(name, text string) error {
	if err := CheckContextID(name); err != nil {
		return fmt.Errorf("has a name that %w", err)
	}
	if !utf8.ValidString(text) {
		return fmt.Errorf("is not UTF-8 text")
	}
	if n := utf8.RuneCountInString(text); n > mostRequestText {
		return fmt.Errorf("has %d characters: at most %d are taken", n, mostRequestText)
	}
	for _, r := range text {
		if !unicode.IsPrint(r) || r == unicode.ReplacementChar {
			return fmt.Errorf("holds the character %U, which cannot be seen", r)
		}
	}
	return nil
}

// Same says whether two requests, that were found to be without fault, ask for the same.
func (l *LabRequest) Same(o *LabRequest) bool {
	return l.RequestRef == o.RequestRef && l.Procedure == o.Procedure && l.Version == o.Version && l.Balance == o.Balance && l.Priority == o.Priority &&
		l.Job == o.Job && l.Task == o.Task && sameInstant(l.Due, o.Due) && maps.Equal(l.Parameters, o.Parameters) && maps.Equal(l.Fields, o.Fields) &&
		slices.EqualFunc(l.Items, o.Items, func(a, b RunItem) bool {
			return a.Sample == b.Sample && a.Lot == b.Lot && a.Container == b.Container && a.Position == b.Position && maps.Equal(a.Fields, b.Fields)
		})
}

func sameInstant(a, b *UTC) bool {
	return (a == nil) == (b == nil) && (a == nil || a.Time().Equal(b.Time()))
}

// RequestChange is what of a request changes while it waits: what is not named stays as it is.
type RequestChange struct {
	Priority int     `json:"priority,omitempty" minimum:"0" maximum:"9"`
	Due      *UTC    `json:"due,omitempty"`
	NotDue   bool    `json:"-"`                 // it is not due any more: due is null where it is sent
	Balance  *string `json:"balance,omitempty"` // "": any fit one
	Reason   string  `json:"reason,omitempty" maxLength:"500"`
}

// Of gives a request as it is after the change, or says why it cannot be changed so.
func (c *RequestChange) Of(l LabRequest) (LabRequest, error) {
	if c.Priority != 0 {
		l.Priority = c.Priority
	}
	if c.Due != nil || c.NotDue {
		l.Due = c.Due
	}
	if c.Balance != nil {
		l.Balance = *c.Balance
	}
	return l, l.Check()
}

// RequestStands says how a request stands, to whoever sent something about it.
type RequestStands struct {
	RequestRef
	State string `json:"state"` // waiting, begun, complete, abandoned, cancelled
	// Again says that the request was known just as it was sent, and that nothing was recorded.
	Again  bool   `json:"again,omitempty"`
	Run    string `json:"run,omitempty"`
	Cannot string `json:"cannot,omitempty"` // why no run can begin of it now
}
