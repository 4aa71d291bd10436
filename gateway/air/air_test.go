package air

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
)

var noon = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)

const cellar = "seed store, bench 2"

// shown is what an instrument shows, as TEMPERATURE Cel, HUMIDITY % and PRESSURE hPa; "": not that.
func shown(instrument, temperature, humidity, pressure string) record.AirShown {
	one := func(digits, unit string) *record.AirAmount {
		if digits == "" {
			return nil
		}
		return &record.AirAmount{Digits: digits, Unit: unit}
	}
	return record.AirShown{Instrument: instrument, Temperature: one(temperature, "Cel"), Humidity: one(humidity, "%"), Pressure: one(pressure, "hPa")}
}

func words(list []record.AirReading) string {
	var all []string
	for _, r := range list {
		all = append(all, fmt.Sprintf("%s %s %s by %s", r.What, r.Digits, r.Unit, r.Instrument))
	}
	return strings.Join(all, "; ")
}

// TestAReadingIsOfTheAirOfALaboratory: what cannot be is refused with a sentence, and what lies at the very bound is taken, in each unit.
func TestAReadingIsOfTheAirOfALaboratory(t *testing.T) {
	of := func(what, digits, unit string) record.AirShown {
		s, a := record.AirShown{Instrument: "meter-3"}, &record.AirAmount{Digits: digits, Unit: unit}
		switch what {
		case "temperature":
			s.Temperature = a
		case "humidity":
			s.Humidity = a
		default:
			s.Pressure = a
		}
		return s
	}
	for _, c := range []struct {
		what, digits, unit string
		field              string // of the refusal; "": it is taken
	}{
		{"temperature", "21.30", "Cel", ""}, {"temperature", "-20", "Cel", ""}, {"temperature", "60.000", "Cel", ""},
		{"temperature", "-20.001", "Cel", "temperature"}, {"temperature", "60.0001", "Cel", "temperature"}, {"temperature", "294.4", "K", "temperature"},
		{"temperature", "21,3", "Cel", "temperature"}, {"temperature", "2.13e1", "Cel", "temperature"}, {"temperature", "NaN", "Cel", "temperature"},
		{"temperature", "1/2", "Cel", "temperature"}, {"temperature", "+21", "Cel", "temperature"}, {"temperature", "", "Cel", "temperature"},
		{"humidity", "0", "%", ""}, {"humidity", "100", "%", ""}, {"humidity", "100.1", "%", "humidity"}, {"humidity", "-0.1", "%", "humidity"}, {"humidity", "0.45", "1", "humidity"},
		{"pressure", "500", "hPa", ""}, {"pressure", "1100", "hPa", ""}, {"pressure", "50000", "Pa", ""}, {"pressure", "110.000", "kPa", ""},
		{"pressure", "1100.1", "hPa", "pressure"}, {"pressure", "1013", "Pa", "pressure"}, {"pressure", "1013.2", "kPa", "pressure"}, {"pressure", "29.9", "[in_i'Hg]", "pressure"},
	} {
		got, err := New().Put(cellar, of(c.what, c.digits, c.unit), noon)
		var no *record.NotDone
		if errors.As(err, &no) != (c.field != "") || no != nil && (no.Field != c.field || no.Why == "") {
			t.Errorf("%s %s %s: %v, want a refusal of %q", c.what, c.digits, c.unit, err, c.field)
		}
		if want := fmt.Sprintf("%s %s %s by meter-3", c.what, c.digits, c.unit); c.field == "" && words(got) != want {
			t.Errorf("%s, want %s", words(got), want)
		}
		if err != nil {
			t.Log(err)
		}
	}
	for _, s := range []record.AirShown{shown("meter-3", "", "", ""), shown("", "21", "", ""), shown("a\u202eb", "21", "", "")} {
		if got, err := New().Put(cellar, s, noon); err == nil {
			t.Errorf("%+v is taken as %s", s, words(got))
		}
	}
}

// TestAReadingHasItsTime: one of the future or of long ago is refused, one that a clock a little ahead has sent is of now, and one that comes
// after a newer one does not take its place.
func TestAReadingHasItsTime(t *testing.T) {
	b := New()
	put := func(digits string, at time.Duration) error {
		s := shown("meter-3", digits, "", "")
		u := record.UTC(noon.Add(at))
		s.At = &u
		_, err := b.Put(cellar, s, noon)
		return err
	}
	for _, c := range []struct {
		digits string
		at     time.Duration
		taken  bool
	}{
		{"20.0", -Oldest - time.Microsecond, false}, {"20.1", -Oldest, true}, {"20.2", -time.Minute, true}, {"20.3", -2 * time.Minute, false},
		{"20.3", -time.Minute, false}, {"20.2", -time.Minute, true}, {"20.4", Ahead + time.Microsecond, false}, {"20.5", Ahead, true},
	} {
		if err := put(c.digits, c.at); (err == nil) != c.taken {
			t.Errorf("%s at %v: %v", c.digits, c.at, err)
		}
	}
	r, why := b.Newest(cellar, "temperature", noon, time.Minute)
	if r == nil || r.Digits != "20.5" || !r.At.Time().Equal(noon) {
		t.Errorf("%+v %s, want 20.5 of noon", r, why)
	}
}

// TestOnlyWhatIsYoungIsOffered: at its limit a reading is offered still, past it there is a sentence that says whose it is and how old; after an
// hour it is forgotten; and a clock that was set back offers nothing.
func TestOnlyWhatIsYoungIsOffered(t *testing.T) {
	b := New()
	if _, err := b.Put(cellar, shown("meter-3", "21.3", "45", ""), noon); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		what  string
		after time.Duration
		why   string
	}{
		{"temperature", 10 * time.Minute, ""}, {"humidity", 0, ""}, {"pressure", 0, "No instrument has sent the pressure at " + cellar},
		{"temperature", 25*time.Minute + time.Second, "What meter-3 sent of the temperature at " + cellar + " is 25 min old, and 10 min is the most."},
		{"temperature", Oldest + time.Second, "No instrument has sent the temperature"}, {"temperature", -time.Minute, "later than now"},
	} {
		r, why := b.Newest(cellar, c.what, noon.Add(c.after), 10*time.Minute)
		if (r != nil) != (c.why == "") || !strings.Contains(why, c.why) {
			t.Errorf("%s after %v: %+v, %q", c.what, c.after, r, why)
		}
	}
	if r, _ := b.Newest("b-2", "temperature", noon, 10*time.Minute); r != nil {
		t.Errorf("another place is offered %+v", r)
	}
	if all := b.All(noon.Add(Oldest)); len(all) != 1 || words(all[0].Readings) != "temperature 21.3 Cel by meter-3; humidity 45 % by meter-3" {
		t.Errorf("%+v", all)
	}
	if all := b.All(noon.Add(Oldest + time.Second)); len(all) != 0 {
		t.Errorf("after an hour: %+v", all)
	}
}

// TestInstrumentsAtOnePlace: what one shows takes the place of all that it showed before, and leaves what another shows.
func TestInstrumentsAtOnePlace(t *testing.T) {
	b := New()
	for i, c := range []struct {
		shown record.AirShown
		want  string
	}{
		{shown("meter-3", "21.3", "45", ""), "temperature 21.3 Cel by meter-3; humidity 45 % by meter-3"},
		{shown("barometer", "", "", "1002.1"), "temperature 21.3 Cel by meter-3; humidity 45 % by meter-3; pressure 1002.1 hPa by barometer"},
		{shown("meter-3", "21.4", "", ""), "temperature 21.4 Cel by meter-3; pressure 1002.1 hPa by barometer"},
		{shown("barometer", "22.0", "", "1002.2"), "temperature 22.0 Cel by barometer; pressure 1002.2 hPa by barometer"},
	} {
		got, err := b.Put(cellar, c.shown, noon.Add(time.Duration(i)*time.Second))
		if err != nil || words(got) != c.want {
			t.Errorf("%s %v, want %s", words(got), err, c.want)
		}
	}
}

// TestNobodyFillsTheMemory: no more places than the bound are kept, whoever sends at once; those that are there go on, and room comes back.
func TestNobodyFillsTheMemory(t *testing.T) {
	b := New()
	var all sync.WaitGroup
	for i := range 4 * MostPlaces {
		all.Go(func() { b.Put(fmt.Sprintf("room %d", i), shown("meter", "21", "", ""), noon) })
	}
	all.Wait()
	list := b.All(noon)
	if len(list) != MostPlaces {
		t.Fatalf("%d places are kept", len(list))
	}
	if _, err := b.Put("one more", shown("meter", "21", "", ""), noon); err == nil {
		t.Error("one place more is taken")
	}
	if _, err := b.Put(list[0].Name, shown("meter", "22", "", ""), noon.Add(time.Second)); err != nil {
		t.Error(err)
	}
	if _, err := b.Put("one more", shown("meter", "21", "", ""), noon.Add(Oldest+time.Second)); err != nil {
		t.Error(err)
	}
}
