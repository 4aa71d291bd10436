package sparkplug

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"time"

	"weighpost/gateway/record"
)

// Names of a device's metrics, in the order in which messages carry them. A slash makes folders (chapter 6, "Metric").
const (
	nameID        = "Weighing/Id"
	nameDigits    = "Weighing/Digits" // as printed: with all zeros, the decimal sign a point
	nameValue     = "Weighing/Value"
	nameUnit      = "Weighing/Unit"      // as printed
	nameCode      = "Weighing/Unit code" // UCUM
	nameKind      = "Weighing/Kind"
	nameStability = "Weighing/Stability"
	nameRange     = "Weighing/Range"
	nameTime      = "Weighing/Time" // to the microsecond, which a DateTime cannot hold
	nameBound     = "Weighing/Bound"
	nameClock     = "Weighing/Clock"
	nameSample    = "Weighing/Sample"
	namePerson    = "Weighing/Person"
	namePassed    = "Weighing/Passed"
	nameBalance   = "Balance/Id" // which a topic holds only in a safe form
	nameSerial    = "Balance/Serial"
	namePlace     = "Balance/Place"
	nameFitness   = "Balance/Fitness" // as it was when this was weighed: in service, out of service …
)

// without is what a device's metrics are before its first weighing: all that it will ever have, without a value (chapter 5,
// "Data Publish").
func without() []metric {
	null := func(name string, of uint64) metric { return metric{name, nullOf(of), stale} }
	return []metric{null(nameID, typeString), null(nameDigits, typeString), null(nameValue, typeDouble), null(nameUnit, typeString), null(nameCode, typeString),
		null(nameKind, typeString), null(nameStability, typeString), null(nameRange, typeString), null(nameTime, typeString),
		null(nameBound, typeDouble), null(nameClock, typeString), null(nameSample, typeString), null(namePerson, typeString),
		null(namePassed, typeBoolean), null(nameBalance, typeString), null(nameSerial, typeString), null(namePlace, typeString),
		null(nameFitness, typeString)}
}

// weighed is a weighing or a result as a device's metrics, and when it was made.
func weighed(e record.Entry) ([]metric, time.Time, error) {
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return nil, time.Time{}, fmt.Errorf("entry %s cannot be read: %w", e.ID, err)
	}
	is := func(name string, value any) metric { return metric{name, value, good} }
	list := []metric{is(nameID, w.ID), is(nameDigits, w.Value.Digits), valueOf(w.Value), is(nameUnit, w.Value.PrintedUnit), is(nameCode, w.Value.Unit), is(nameKind, w.Value.Kind),
		is(nameStability, w.Value.Stability), is(nameRange, w.Value.Range), is(nameTime, w.Stamp.UTC.String()), boundOf(w.Stamp),
		is(nameClock, w.Stamp.Clock), learnt(nameSample, w.Context.Sample), learnt(namePerson, w.Context.Person), passed(w.Verdicts),
		is(nameBalance, w.Balance.ID), is(nameSerial, w.Balance.Serial), is(namePlace, w.Balance.Place), is(nameFitness, w.Fitness.State)}
	return list, w.Stamp.UTC.Time(), nil
}

// valueOf is the number, as near as a double can be: the digits are the record. Out of range there is none, and its quality is bad.
func valueOf(v record.Value) metric {
	f, err := strconv.ParseFloat(v.Digits, 64)
	if v.Range != "in" || err != nil {
		return metric{nameValue, nullOf(typeDouble), bad}
	}
	return metric{nameValue, f, good}
}

func boundOf(s record.Stamp) metric {
	if s.Bound == nil {
		return metric{nameBound, nullOf(typeDouble), good}
	}
	return metric{nameBound, time.Duration(*s.Bound).Seconds(), good}
}

func learnt(name string, l *record.Learnt) metric {
	if l == nil || l.ID == "" {
		return metric{name, nullOf(typeString), good}
	}
	return metric{name, l.ID, good}
}

// passed is whether all rules let the weighing pass; nothing where no rule judged it.
func passed(verdicts []record.Verdict) metric {
	judged := slices.ContainsFunc(verdicts, func(v record.Verdict) bool { return !v.NotJudged })
	if !judged {
		return metric{namePassed, nullOf(typeBoolean), good}
	}
	return metric{namePassed, !slices.ContainsFunc(verdicts, func(v record.Verdict) bool { return v.Failed() }), good}
}

// changed are the metrics that a host does not know yet: what has not changed is not sent again in a session (chapter 5, "Data
// Publish").
func changed(from, to []metric) (list []metric) {
	for i, m := range to {
		if from[i] != m {
			list = append(list, m)
		}
	}
	return list
}
