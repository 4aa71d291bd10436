//go:build linux

package gateway_test

import (
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// TestAnotherBalanceUnderAnOldIDIsNotRecorded: at a start that balance is held back, with a condition that says what to do, and
// the others are recorded; with an id of its own it is recorded after a reload.
func TestAnotherBalanceUnderAnOldIDIsNotRecorded(t *testing.T) {
	text := func(first, serial string) string {
		return strings.Replace(base[:strings.Index(base, "sinks:")], "id: b-1\n", "id: "+first+"\n  serial: \""+serial+"\"\n", 1) + "sinks: []\n"
	}
	h := newHouse(t, "port-1", "port-2")
	h.start(t, text("b-1", "0047"))
	h.printEach(t)
	h.stop(t)

	h.start(t, text("b-1", "0048"))
	conditions := h.Conditions()
	i := slices.IndexFunc(conditions, func(c health.Condition) bool { return c.Code == health.BalanceIDTaken })
	if i < 0 || conditions[i].Subject != "b-1" || !strings.Contains(conditions[i].Remedy, "an id that was never used") {
		t.Fatalf("%+v", conditions)
	}
	if all := h.Balances(); len(all) != 2 || all[0].PortUp || !all[1].PortUp {
		t.Errorf("the page shows %+v", all)
	}
	mustPrint(t, h, "port-1")
	mustPrint(t, h, "port-2")
	until(t, func() bool { return h.Balances()[1].Recorded == 1 }, "the other balance is not recorded")
	if err := h.reload(t, text("b-1", "0049")); err == nil || !strings.Contains(err.Error(), `"0047"`) {
		t.Errorf("a reload with yet another number: %v", err)
	}
	if err := h.reload(t, text("b-3", "0048")); err != nil {
		t.Fatal(err)
	}
	h.up(t)
	if slices.ContainsFunc(h.Conditions(), func(c health.Condition) bool { return c.Code == health.BalanceIDTaken }) {
		t.Error("the condition is still there")
	}
	if err := h.reload(t, text("b-1", "0047")); err != nil { // the first one is back
		t.Fatal(err)
	}
	h.up(t)
	h.printEach(t)
	h.stop(t)
	serials := map[string]string{}
	for _, w := range all[record.Weighing](t, h, record.KindWeighing) {
		if was, known := serials[w.Balance.ID]; known && was != w.Balance.Serial {
			t.Errorf("%s has the serial numbers %s and %s", w.Balance.ID, was, w.Balance.Serial)
		}
		serials[w.Balance.ID] = w.Balance.Serial
	}
}

func mustPrint(t *testing.T, h *house, port string) {
	t.Helper()
	if _, err := h.cords[port].Write(line(777)); err != nil {
		t.Fatal(err)
	}
}
