package record

import "cmp"

// AirShown is what an instrument shows of the air at a place: all that it shows. What is left out it does not show.
type AirShown struct {
	Instrument  string     `json:"instrument" minLength:"1" maxLength:"63" doc:"What the lab calls the instrument." example:"meter-3"`
	Temperature *AirAmount `json:"temperature,omitempty" doc:"-20 to 60 Cel."`
	Humidity    *AirAmount `json:"humidity,omitempty" doc:"Relative humidity, 0 to 100 %."`
	Pressure    *AirAmount `json:"pressure,omitempty" doc:"At the place itself and not at sea level, 500 to 1100 hPa; in hPa, Pa or kPa."`
	At          *UTC       `json:"at,omitempty" doc:"When the instrument showed that. Left out: now. Up to 5 s ahead of weighpost's clock it counts as now; later, or older than an hour, it is refused."`
}

// AirAmount is one number that an instrument shows.
type AirAmount struct {
	Digits string `json:"digits" minLength:"1" maxLength:"20" doc:"As the instrument shows them, with a point." example:"21.3"`
	Unit   string `json:"unit" maxLength:"8" doc:"UCUM code: Cel, %, hPa, Pa or kPa." example:"Cel"`
}

// AirReading is one thing that an instrument showed of the air at a place. It is no entry: it is kept in memory until it is old, and is in the
// journal only where somebody takes it as the value of a step.
type AirReading struct {
	What       string `json:"what" enum:"temperature,humidity,pressure"`
	Digits     string `json:"digits"` // as the instrument showed them
	Unit       string `json:"unit"`   // UCUM code
	Instrument string `json:"instrument"`
	At         UTC    `json:"at"`
}

// AirPlace names the place whose air is at the balance: where it stands as configured, or else its own id.
func AirPlace(balance, place string) string { return cmp.Or(place, balance) }
