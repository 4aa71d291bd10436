// Whether a balance is recorded, from what is wrong now.

// flat is a list of conditions with what comes from each behind it.
export const flat = (list) => list.flatMap((c) => [c, ...flat(c.consequences ?? [])]);

// The server's own list of what keeps weighings from being recorded: of everything, and of the balance that the condition is about.
const [all, one] = ["stopsAll", "stopsOne"].map((name) => document.documentElement.dataset[name].split(" "));

// notRecorded gives the conditions that keep a balance from being recorded: as notRecorded in now.go.
export const notRecorded = (list, id) =>
  flat(list ?? []).filter((c) => c.severity === "error" && (all.includes(c.code) || (one.includes(c.code) && c.subject === id)));
