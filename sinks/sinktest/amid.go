package sinktest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"reflect"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// patience is how long a part of the entries may take to be delivered whatever is done to the destination meanwhile.
const patience = 90 * time.Second

// Amid delivers entries in as many parts as there are rounds, and hurts the destination, and mends it, at a random place of each part. What a
// sink says meanwhile has to mean try again. amid is how often a part was under way when the hurt began.
func Amid(t testing.TB, s sinks.Sink, entries []record.Entry, rounds int, random *rand.Rand, hurt func(round int)) (amid int) {
	t.Helper()
	part := len(entries) / rounds
	batch := max(1, part/10)
	for round := range rounds {
		mine := entries[round*part : (round+1)*part]
		var accepted atomic.Int64
		delivered := make(chan error, 1)
		ctx, cancel := context.WithTimeout(t.Context(), patience)
		go func() { delivered <- persist(ctx, s, mine, batch, &accepted) }()
		at := int64(batch * random.IntN(min(8, part/batch)))
		for accepted.Load() < at && ctx.Err() == nil {
			time.Sleep(100 * time.Microsecond)
		}
		time.Sleep(time.Duration(random.IntN(3000)) * time.Microsecond)
		if accepted.Load() < int64(len(mine)) {
			amid++
		}
		hurt(round)
		err := <-delivered
		cancel()
		if err != nil {
			t.Fatalf("round %d of %d: %v", round+1, rounds, err)
		}
	}
	return amid
}

// persist delivers until all is accepted. It ends with an error where the sink says that trying again does not help.
func persist(ctx context.Context, s sinks.Sink, rest []record.Entry, batch int, accepted *atomic.Int64) error {
	for len(rest) > 0 {
		n, err := s.Deliver(ctx, rest[:min(batch, len(rest))])
		accepted.Add(int64(n))
		rest = rest[n:]
		var refused sinks.Refused
		var unusable sinks.Unusable
		switch {
		case err == nil:
			continue
		case errors.As(err, &refused), errors.As(err, &unusable):
			return fmt.Errorf("%d are left, and the sink gave up: %w", len(rest), err)
		case ctx.Err() != nil:
			return fmt.Errorf("%d are left after %s: %w", len(rest), patience, err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(2 * time.Millisecond):
		}
	}
	return nil
}

// Verdict counts what is wrong at the far side. Duplicates have the same id and the same bytes.
type Verdict struct{ Lost, Altered, Disorder, Duplicates int }

func (v Verdict) String() string {
	return fmt.Sprintf("lost %d, altered %d, first arrivals out of order %d, duplicates %d", v.Lost, v.Altered, v.Disorder, v.Duplicates)
}

// Judge compares what arrived, each an entry's exact JSON, with what was sent. Torn arrivals, and those that were never sent, count as
// altered. Order is that of each balance.
func Judge(sent []record.Entry, got []Arrival) Verdict { return judge(sent, got, bytes.Equal) }

// JudgeValues is Judge for destinations that read lines: JSON may be written otherwise there, with commands to printers as \u and four
// digits, and has to say the same.
func JudgeValues(sent []record.Entry, got []Arrival) Verdict { return judge(sent, got, sameValue) }

// sameValue says whether two texts of JSON have the same value, numbers digit by digit.
func sameValue(a, b []byte) bool {
	var x, y any
	return value(a, &x) == nil && value(b, &y) == nil && reflect.DeepEqual(x, y)
}

func value(raw []byte, v *any) error {
	if !json.Valid(raw) { // also with something behind it
		return errors.New("no JSON")
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	return d.Decode(v)
}

func judge(sent []record.Entry, got []Arrival, same func(a, b []byte) bool) (v Verdict) {
	want, seen, last := make(map[string]record.Entry, len(sent)), map[string]bool{}, map[string]uint64{}
	for _, e := range sent {
		want[e.ID] = e
	}
	for _, a := range got {
		var head struct{ ID string }
		_ = json.Unmarshal(a.Body, &head) // what is torn has no id
		e, known := want[head.ID]
		switch {
		case !known || !same(bytes.TrimSpace(a.Body), e.JSON):
			v.Altered++
		case seen[e.ID]:
			v.Duplicates++
		default:
			if seen[e.ID] = true; e.Seq < last[e.Balance] {
				v.Disorder++
			}
			last[e.Balance] = e.Seq
		}
	}
	v.Lost = len(sent) - len(seen)
	return v
}

// Hold logs what was done and the verdict, and fails the test unless all is there, unaltered and in order, and something was done amid.
func (v Verdict) Hold(t testing.TB, what string, rounds, amid, sent int) {
	t.Helper()
	t.Logf("%d times %s, %d of them in mid-write, %d weighings: %s", rounds, what, amid, sent, v)
	if v.Lost+v.Altered+v.Disorder > 0 || amid == 0 {
		t.Fail()
	}
}
