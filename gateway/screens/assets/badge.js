// Which of what a scanner sends is a badge, and which a card of ours: the same on every screen at a bench.

export const OURS = "benchpost";

// cardOf gives a code without what a scanner puts before it, in small letters: our own cards are told by it.
export const cardOf = (code) => code.replace(/^\][A-Za-z][A-Za-z0-9]/, "").toLowerCase();

// rulesOf reads how scans begin, one rule a line: b a badge, s a badge behind a beginning that is no part of it, i an item.
export const rulesOf = (text) => text.split("\n").filter(Boolean).map((line) => ({ kind: line[0], prefix: line.slice(1) }));

// badgeOf gives the code of a badge, if a scan is one by the rules: the longest beginning holds. Where there are no rules for badges,
// every scan is one if bare says so.
export function badgeOf(rules, code, bare) {
  let best = null;
  for (const r of rules) if (code.startsWith(r.prefix) && (!best || r.prefix.length > best.prefix.length)) best = r;
  if (best?.kind === "b") return code;
  if (best?.kind === "s") return code.slice(best.prefix.length);
  return !rules.some((r) => r.kind !== "i") && bare ? code : null;
}

const KEYS = "weighpost.bench.keys";

// keysHere are the keys and pedals of this browser, as they were learnt at the bench screen.
export function keysHere() {
  const keys = { next: "F2", repeat: "F4", abandon: "F8" };
  try { return { ...keys, ...JSON.parse(localStorage.getItem(KEYS) ?? "{}") }; } catch { return keys; }
}

// keepKeys keeps them.
export const keepKeys = (keys) => localStorage.setItem(KEYS, JSON.stringify(keys));
