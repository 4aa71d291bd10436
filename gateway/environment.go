package gateway

import (
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// Air lists what instruments show of the air where balances stand.
func (g *Gateway) Air() (all []console.AirPlace) {
	now := g.stamp().UTC.Time()
	for _, p := range g.air.All(now) {
		all = append(all, airPlace(p.Name, p.Readings, now))
	}
	return all
}

// ShowAir takes what an instrument shows at a place.
func (g *Gateway) ShowAir(place string, s record.AirShown) (console.AirPlace, error) {
	now := g.stamp().UTC.Time()
	list, err := g.air.Put(place, s, now)
	if err != nil {
		return console.AirPlace{}, err
	}
	return airPlace(place, list, now), nil
}

func airPlace(name string, list []record.AirReading, now time.Time) console.AirPlace {
	p := console.AirPlace{Place: name, Readings: []console.AirKnown{}}
	for _, r := range list {
		p.Readings = append(p.Readings, airKnown(r, now))
	}
	return p
}

func airKnown(r record.AirReading, now time.Time) console.AirKnown {
	return console.AirKnown{AirReading: r, AgeS: max(0, int64(now.Sub(r.At.Time()).Seconds()))}
}

// airAt gives what may be taken of the air at a balance, as a run asks for it.
func (g *Gateway) airAt(b record.Balance) func(what string) (*record.AirReading, string) {
	return func(what string) (*record.AirReading, string) {
		within := g.now.Load().cfg.Procedures.Air.D()
		return g.air.Newest(record.AirPlace(b.ID, b.Place), what, g.stamp().UTC.Time(), within)
	}
}

// offers says what an instrument at the balance of a run has sent that the step may take, or why nothing is offered.
func (g *Gateway) offers(s runs.Standing, f procedure.Facts) (*console.AirKnown, string) {
	switch {
	case s.Next.Air == "":
		return nil, ""
	case f.Air == nil:
		return nil, "The run is at no balance, so that no instrument belongs to it."
	}
	r, why := f.Air(s.Next.Air)
	if r == nil {
		return nil, why
	}
	known := airKnown(*r, g.stamp().UTC.Time())
	return &known, ""
}
