package console

import (
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// Air and ShowAir have one place, whose instrument is meter-3.
func (r *runShelves) Air() []AirPlace {
	reading := record.AirReading{What: "temperature", Digits: "21.3", Unit: "Cel", Instrument: "meter-3", At: treadleStamp.UTC}
	return []AirPlace{{Place: "b-12", Readings: []AirKnown{{reading, 120}}}}
}

func (r *runShelves) ShowAir(place string, s record.AirShown) (AirPlace, error) {
	switch {
	case s.Temperature == nil:
		return AirPlace{}, &record.NotDone{Field: "temperature", Why: "nothing is shown"}
	case s.Instrument == "late":
		return AirPlace{}, &record.NotDone{Why: "it is known already"}
	}
	r.did(s)
	return r.Air()[0], nil
}

// TestTheAirIsToldByProgramsAlone: a lab system's key tells what an instrument shows, and nobody of the roles of people does; everybody who sees balances
// sees it. A place where no balance stands, what is wrong and what comes too late are refused, and then nothing is kept.
func TestTheAirIsToldByProgramsAlone(t *testing.T) {
	h := open(t)
	body := `{"instrument": "meter-3", "temperature": {"digits": "21.3", "unit": "Cel"}}`
	for _, c := range []struct {
		who, place, body string
		want             int
	}{
		{"machine", "b-12", body, 200},
		{"operator", "b-12", body, 403}, {"reviewer", "b-12", body, 403}, {"balance-keeper", "b-12", body, 403}, {"auditor", "b-12", body, 403},
		{"machine", "b-99", body, 404},
		{"machine", "b-12", `{"instrument": "meter-3"}`, 422},
		{"machine", "b-12", `{"temperature": {"digits": "21.3", "unit": "Cel"}}`, 422},
		{"machine", "b-12", strings.Replace(body, "meter-3", "late", 1), 409},
		{"machine", "b-12", strings.Replace(body, `"instrument"`, `"at": "yesterday", "instrument"`, 1), 422},
		{"machine", "b-12", strings.Replace(body, `"instrument"`, `"co2": 400, "instrument"`, 1), 422},
	} {
		before := h.shelves.count()
		resp, answer := send(t, h, http.MethodPut, "/api/v1/environment/"+c.place, c.body, h.enter(t, c.who))
		if resp.StatusCode != c.want || h.shelves.count() > before != (c.want == 200) {
			t.Errorf("%s: %s %s: %d %s, want %d", c.who, c.place, c.body, resp.StatusCode, answer, c.want)
		}
	}
	for _, who := range []string{"auditor", "machine"} {
		resp, answer := send(t, h, http.MethodGet, "/api/v1/environment", "", h.enter(t, who))
		if resp.StatusCode != 200 || !strings.Contains(answer, `"age_s":120`) || !strings.Contains(answer, "meter-3") {
			t.Errorf("%s: %d %s", who, resp.StatusCode, answer)
		}
	}
	for _, c := range []struct {
		body string
		want int
	}{{`{"read": "2026-11-30T12:00:00Z"}`, 200}, {`{"read": "now"}`, 422}, {`{"read": "2026-11-30T12:00:00Z", "answer": "21.3"}`, 422}} {
		if resp, answer := send(t, h, http.MethodPost, "/api/v1/runs/r-7qx3-000001/act", c.body, h.enter(t, "operator")); resp.StatusCode != c.want {
			t.Errorf("%s: %d %s, want %d", c.body, resp.StatusCode, answer, c.want)
		}
	}
}
