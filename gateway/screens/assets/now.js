// What balances show, kept up to date: on the overview, the page of one balance, and the wall. The weight is set here; whatever
// else changes is asked for anew as weighpost writes it, so that it says the same, and offers no more, than the first time.
import { say, announce, clock, count } from "./ask.js";
import { follow } from "./live.js";
import { flat, notRecorded } from "./recording.js";
import { renew } from "./renew.js";
import { OLD, quantity, writeWeight } from "./weight.js";

const ANNOUNCE = 3_000; // ms between two spoken announcements
const PACE = 2_000; // ms between two requests for parts that changed

const only = document.querySelector("[data-sole]")?.dataset.sole; // the one balance that the page is about
const whole = only !== undefined || document.querySelector("[data-all]") !== null; // the page shows all balances, or the one
let state = null;

const cards = new Map(); // balance id -> its part of the page, and what is known of it

// adopt takes a part of the page in hand.
function adopt(item) {
  const id = item.dataset.balance;
  const c = cards.get(id) ?? { id, live: null, seenAt: 0, up: true };
  c.item = item;
  for (const name of ["weight", "digits", "unit", "rest", "when", "why", "not", "what", "sample", "id"]) c[name] = item.querySelector("." + name);
  c.restShown = null;
  cards.set(id, c);
  if (c.live) showWeight(c);
  return c;
}

for (const item of document.querySelectorAll("[data-balance]")) adopt(item);

// showWeight writes the big number.
function showWeight(c) {
  writeWeight(c, c.live);
  say(c.why, c.live.unread || "");
  showAge(c);
}

// showAge says when the weight came, and takes the weight of an old or unconnected one away.
function showAge(c) {
  if (!c.live) return;
  const old = Date.now() - c.seenAt > OLD || !c.up;
  c.weight.classList.toggle("old", old);
  c.rest.classList.toggle("old", old);
  say(c.when, (old ? "last sent " : "") + clock(c.live.utc));
}

function showRecorded(c, id, utc, value, sample) {
  if (!c.what || c.lastID === id) return;
  c.lastID = id;
  say(c.what, quantity(value) + " at " + clock(utc));
  say(c.sample, sample ? "sample " + sample : "no sample");
  say(c.id, id);
}

let waitingWords = [];
let announcedAt = 0;

// speak tells screen readers of what was recorded: at most one sentence in three seconds.
function speak() {
  if (waitingWords.length === 0 || Date.now() - announcedAt < ANNOUNCE) return;
  const more = waitingWords.length - 1;
  announce(waitingWords.at(-1) + (more ? ", and " + more + " before it" : ""));
  waitingWords = [];
  announcedAt = Date.now();
}

function readings(list) {
  for (const r of list) {
    const c = cards.get(r.balance);
    if (!c || r.answer) continue;
    if (r.recorded) {
      if (r.recorded !== c.lastID) waitingWords.push(r.balance + " recorded " + quantity(r.value));
      c.newest = r.recorded;
      showRecorded(c, r.recorded, r.utc, r.value, r.sample);
    } else {
      c.live = r;
      c.seenAt = Date.now();
      showWeight(c);
    }
  }
  speak();
}

const about = (c, id) => c.subject === id || c.subject === id + "-scanner";

const printConditions = (list, id) => flat(list).filter((c) => !id || about(c, id)).map((c) => `${c.code} ${c.subject} ${c.severity} ${c.sentence}`).join("|");

// prints are what the parts of the page depend on, in the same words as in now.go: where one differs from what the part says, the
// part is asked for anew.
const prints = {
  balance(part) {
    const b = state.balances.find((b) => b.id === (part.dataset.balance ?? part.dataset.balanceOf));
    if (!b) return "";
    const items = b.context.map((i) => `${i.name}=${i.id} ${i.by} ${i.uses_left ?? ""}`);
    const fit = b.fitness ? ["fitness=" + b.fitness.state] : [];
    return [b.port_up, b.identity, b.unread, b.damaged, b.unkept, b.waiting > 20, ...items, ...fit, printConditions(state.conditions, b.id)].join("|");
  },
  fitness(part) {
    const f = state.balances.find((b) => b.id === part.dataset.about)?.fitness;
    return f ? f.state + " " + (f.due ?? "") : "";
  },
  conditions: (part) => printConditions(state.conditions, part.dataset.about),
  summary: () => `${state.balances.filter((b) => b.port_up).length} ${state.balances.length} ${printConditions(state.conditions)}`,
  sinks: () => state.sinks.map((k) => `${k.id} ${k.state} ${k.why ?? ""} ${k.parked}`).join("|"),
  clock: () => state.clock.state,
  last: (part) => state.balances.find((b) => b.id === part.dataset.about)?.last?.id ?? "",
  always: (part) => part.dataset.print === undefined ? "" : "now and then",
};

let askedAt = 0;
let asking = false;

// catchUp asks for the parts that are not as they should be any more.
async function catchUp() {
  if (!state || asking || Date.now() - askedAt < PACE || document.hidden) return;
  const stale = [...document.querySelectorAll("[data-print-of]")].filter((part) =>
    part.dataset.every ? Date.now() - (part.renewedAt ??= Date.now()) > part.dataset.every * 1_000 : prints[part.dataset.printOf](part) !== part.dataset.print);
  if (stale.length === 0) return;
  asking = true;
  askedAt = Date.now();
  const fresh = await renew(stale.map((part) => part.dataset.part));
  asking = false;
  for (const part of fresh ?? []) if (part.dataset.balance !== undefined) { adopt(part); showStates(); }
  filter();
}

// showStates sets what may not wait for a request: whether a port is there, and NOT RECORDING.
function showStates() {
  for (const b of state.balances) {
    const c = cards.get(b.id);
    if (!c) continue;
    c.up = b.port_up;
    c.item.classList.toggle("connected", b.port_up);
    c.item.classList.toggle("apart", !b.port_up);
    const lost = notRecorded(state.conditions, b.id).length > 0;
    c.item.classList.toggle("unrecorded", lost);
    if (c.not) c.not.hidden = !lost;
    if (b.live && (!c.live || b.live.utc > c.live.utc)) {
      c.live = b.live;
      c.seenAt = Date.parse(b.live.utc);
      showWeight(c);
    }
    if (b.last && (!c.newest || c.newest <= b.last.id)) showRecorded(c, b.last.id, b.last.utc, b.last.value, b.last.sample);
    showAge(c);
  }
}

function onState(s) {
  state = { ...s, balances: s.balances ?? [], conditions: s.conditions ?? [], sinks: s.sinks ?? [] };
  const wanted = state.balances.filter((b) => !only || b.id === only).map((b) => b.id);
  if (whole && (wanted.length !== cards.size || wanted.some((id) => !cards.has(id)))) return location.reload(); // other balances are configured
  showStates();
  for (const k of state.sinks) {
    const row = document.querySelector(`[data-sink="${CSS.escape(k.id)}"]`);
    say(row?.querySelector(".lag"), count(k.waiting));
    say(row?.querySelector(".delivered"), count(k.delivered));
  }
  say(document.getElementById("head"), count(state.journal.head));
  catchUp();
}

// filter shows the cards that are like what somebody typed, while they type: as hides in overview.go.
const search = document.querySelector("form.filter");
function filter() {
  if (!search) return;
  const find = search.elements.find.value.trim().toLowerCase();
  const place = search.elements.place?.value ?? "";
  let left = 0;
  for (const { item } of cards.values()) {
    item.hidden = !item.dataset.find.toLowerCase().includes(find) || (place !== "" && item.dataset.place !== place) ||
      (search.elements.trouble.checked && item.dataset.worst === "");
    if (!item.hidden) left++;
  }
  document.getElementById("none-left").hidden = left > 0;
}
search?.addEventListener("input", filter);
search?.addEventListener("submit", (e) => e.preventDefault());
filter();

setInterval(() => {
  for (const c of cards.values()) showAge(c);
  speak();
  catchUp();
}, 1_000);
follow({ state: onState, readings }, only ? "/live?balance=" + encodeURIComponent(only) : "/live");
