package mqtt

import (
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// What the real broker retains of a site is told: its checkpoint, and the last entry of each topic where the sink retains.
func TestABrokerTellsWhatItRetains(t *testing.T) {
	t.Parallel()
	broker := mosquitto.Start(t, mosquitto.Options{})
	c := config(broker.URL())
	c.Retain = true
	entries := sinktest.Weighings(50, 3)
	site, _, _ := strings.Cut(entries[0].ID, "/")
	env := sinks.Env{Site: site}
	s, err := New(c, "bench", env)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	deliverAll(t.Context(), t, s, entries)
	const note = "weighpost/north-lab/7qx3\n50\nroot\n\nsignature\n"
	if err := s.Checkpoint(t.Context(), []byte(note)); err != nil {
		t.Fatal(err)
	}
	last := map[string]record.Entry{} // of each topic
	for _, e := range entries {
		last[s.topics.entry(e)] = e
	}
	const after = 20
	var want, got []string
	for _, e := range last {
		if e.Seq > after {
			want = append(want, e.ID)
		}
	}
	if len(want) == 0 || len(want) == len(last) {
		t.Logf("%d of %d topics count", len(want), len(last))
	}
	w, err := c.Witness("bench", env)
	if err != nil {
		t.Fatal(err)
	}
	held, err := w.Held(t.Context(), after)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range held.Entries {
		got = append(got, e.ID)
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) || held.Partial != "" {
		t.Errorf("found %q (%s), want %q", got, held.Partial, want)
	}
	if len(held.Checkpoints) != 1 || string(held.Checkpoints[0]) != note {
		t.Errorf("found the checkpoints %q", held.Checkpoints)
	}
	if !s.session.alive() {
		t.Error("the sink that was connected is thrown out")
	}
}

func TestABrokerThatCannotBeAskedSaysSo(t *testing.T) {
	t.Parallel()
	broker := mosquitto.Start(t, mosquitto.Options{})
	c := config(broker.URL())
	broker.Stop(t)
	w, err := c.Witness("bench", sinks.Env{Site: testSite})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Held(t.Context(), 0); err == nil || !strings.Contains(err.Error(), broker.Addr()) {
		t.Errorf("a broker that is away: %v", err)
	}
	c.Retain = false
	broker.Start(t)
	held, err := w.Held(t.Context(), 0)
	if err != nil || !strings.Contains(held.Partial, "without retain") || len(held.Entries)+len(held.Checkpoints) != 0 {
		t.Errorf("a broker that knows nothing: %v, %v", held, err)
	}
}
