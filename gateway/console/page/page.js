"use strict";
// The live page. Everything that comes from outside is set as text, never as markup.

const OLD = 10_000; // ms after which a weight is called old
const ANNOUNCE = 3_000; // ms between two spoken announcements
const SILENT = 35_000; // ms without a word from weighpost after which the connection counts as lost

const byId = (id) => document.getElementById(id);
const cards = new Map(); // balance id -> its parts of the page
let heardAt = 0; // when weighpost last said something
let source = null;
let again = 0;

// make gives an element with a class, a text and children.
function make(tag, cls, text, ...children) {
  const e = document.createElement(tag);
  if (cls) e.className = cls;
  if (text) e.textContent = text;
  e.append(...children);
  return e;
}

function shape(name) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("class", "shape");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(ns, "use");
  use.setAttribute("href", "#" + name);
  svg.append(use);
  return svg;
}

// say sets a text where it changed, so that nothing is painted or read again without need.
function say(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

function clock(utc) {
  const t = new Date(utc);
  const today = new Date().toDateString() === t.toDateString();
  return (today ? "" : t.toLocaleDateString() + " ") + t.toLocaleTimeString([], { hourCycle: "h23" });
}

const number = new Intl.NumberFormat();

// quantity is a value as one text: digits as printed, and the unit.
function quantity(v) {
  return v.range === "in" ? [v.digits, v.printed_unit || v.unit].filter(Boolean).join(" ") : v.range + " range";
}

function newCard(b) {
  const c = { balance: b, live: null, seenAt: 0 };
  c.name = make("h3", "", b.id);
  c.place = make("span", "place");
  c.digits = make("span", "digits");
  c.unit = make("span", "unit");
  c.weight = make("p", "weight words", "", c.digits, c.unit);
  c.rest = make("span", "rest");
  c.why = make("p", "why");
  c.when = make("span", "when");
  c.not = make("p", "not");
  c.person = make("dd");
  c.sample = make("dd");
  c.recorded = make("dd");
  c.port = make("dd");
  c.rule = make("dd");
  c.facts = make("dl", "facts", "", make("dt", "", "Person"), c.person, make("dt", "", "Sample"), c.sample,
    make("dt", "", "Recorded"), c.recorded, make("dt", "", "Port"), c.port, make("dt", "", "Rule"), c.rule);
  c.item = make("li", "balance", "",
    make("div", "who", "", c.name, c.place), c.weight, make("p", "how", "", c.rest, c.when), c.why, c.not, c.facts);
  return c;
}

// showWeight writes the big number of a card.
function showWeight(c) {
  const l = c.live;
  const v = l && l.value;
  const plain = v && v.range === "in" && v.digits;
  if (plain) {
    say(c.digits, v.digits);
    say(c.unit, v.printed_unit || v.unit || "");
  } else {
    say(c.digits, !l ? "Nothing received yet" : l.unread ? "A frame that cannot be read" : v.range === "in" ? "No weight in this frame" :
      v.range === "over" ? "Over range" : "Under range");
    say(c.unit, "");
  }
  c.weight.className = "weight" + (plain ? "" : " words") + (plain && v.digits.length > 9 ? " long" : "");
  say(c.why, l && l.unread ? l.unread : "");
  const stability = plain ? v.stability : "";
  if (c.restShown !== stability + (plain ? v.kind : "")) {
    c.restShown = stability + (plain ? v.kind : "");
    const kind = plain && v.kind !== "unknown" ? ", " + v.kind : "";
    const look = { stable: ["at-rest", "stable"], unstable: ["moving", "unstable"], unknown: ["not-said", "stability not said"] }[stability];
    c.rest.className = "rest " + stability;
    c.rest.replaceChildren(...(look ? [shape(look[0]), make("span", "", look[1] + kind)] : []));
  }
  showAge(c);
}

// showAge says when the weight came, and takes the weight of an old or unconnected one away.
function showAge(c) {
  if (!c.live) return say(c.when, "");
  const age = Date.now() - c.seenAt;
  const old = age > OLD || !c.balance.port_up;
  c.weight.classList.toggle("old", old);
  c.rest.classList.toggle("old", old);
  say(c.when, (old ? "last sent " : "") + clock(c.live.utc));
}

// bytes writes what was received so that it can be read: what is no printable ASCII as its number in angle brackets.
function bytes(base64) {
  const text = Array.from(atob(base64), (c) => c >= " " && c <= "~" && c !== "`" ? c : "<" + c.charCodeAt(0).toString(16).toUpperCase().padStart(2, "0") + ">");
  return text.slice(0, 60).join("") + (text.length > 60 ? "…" : "");
}

// showPort says where the bytes come from, and whether anything would show that one of them was disturbed.
function showPort(c, b) {
  const all = b.port + b.port_up + b.unprotected;
  if (c.portShown === all) return;
  c.portShown = all;
  c.port.replaceChildren(b.port_up ? b.port : b.port + " is not connected", ...(b.unprotected ?
    [make("span", "also", "no parity and no check characters: a disturbed character may read as another digit")] : []));
}

function showCard(c, b, recording) {
  c.balance = b;
  say(c.place, b.place || "");
  c.item.className = "balance " + (b.port_up ? "connected" : "apart");
  if (b.live && (!c.live || b.live.utc > c.live.utc)) {
    c.live = b.live;
    c.seenAt = Date.parse(b.live.utc);
  }
  showWeight(c);
  showContext(c, b.context || []);
  if (b.last) showRecorded(c, b.last.id, b.last.utc, b.last.value, b.last.sample);
  else if (!c.lastID) say(c.recorded, "nothing since weighpost started");
  showPort(c, b);
  c.port.className = b.port_up ? "" : "bad";
  const doubts = [];
  if (b.identity !== "confirmed") doubts.push("Which balance this is has not been confirmed since the port was lost.");
  if (b.waiting > 20) doubts.push(number.format(b.waiting) + " readings wait for the journal.");
  if (b.unkept) doubts.push(number.format(b.unkept) + " readings were not recorded.");
  if (b.unread) doubts.push(number.format(b.unread) + (b.unread === 1 ? " frame" : " frames") + " could not be read." +
    (b.last_unread ? " The last came at " + clock(b.last_unread.utc) + ": `" + bytes(b.last_unread.frame) + "`" : ""));
  if (b.damaged) doubts.push(number.format(b.damaged) + (b.damaged === 1 ? " character" : " characters") + " arrived damaged.");
  c.item.classList.toggle("unrecorded", !recording);
  say(c.not, recording ? "" : "Not being recorded now: copy this weight by hand.");
  if (b.asking) doubts.push(...missed(b.asking));
  const text = b.rule + " · " + number.format(b.recorded) + " recorded" + (b.asking ? " · " + asked(b.asking) : "");
  const all = text + doubts.join();
  if (c.ruleShown !== all) {
    c.ruleShown = all;
    c.rule.replaceChildren(text, ...doubts.map((d) => make("span", "doubt", "", ...prose(d))));
  }
}

// asked says what became of the questions to a balance that is asked, and missed what did not.
function asked(a) {
  return "answered " + number.format(a.answers) + " of " + number.format(a.questions) + (a.questions === 1 ? " question" : " questions") +
    (a.last_answer ? ", the last at " + clock(a.last_answer) : "");
}

function missed(a) {
  const list = [];
  if (a.missed) list.push(number.format(a.missed) + (a.missed === 1 ? " question was" : " questions were") + " not answered.");
  if (a.late) list.push(number.format(a.late) + (a.late === 1 ? " reading" : " readings") + " came after the time of a question had run out.");
  if (a.differed) list.push(number.format(a.differed) + (a.differed === 1 ? " pair" : " pairs") + " of answers did not agree.");
  if (a.why) list.push("The last question brought no reading: " + a.why + ".");
  return list;
}

// limits says how an item of the context was learnt and how long it holds.
function limits(item) {
  const parts = [item.by.replace("-", " ")];
  if (item.uses_left !== undefined) parts.push(item.uses_left === 1 ? "for one weighing" : "for " + number.format(item.uses_left) + " weighings");
  if (item.until) parts.push("until " + clock(item.until));
  return parts.join(", ");
}

// showContext says what the next weighing is tied to. That there is no person is said, and not left out. A card that was tied
// once keeps the room for it, so that the page does not jump with every scan.
function showContext(c, items) {
  const all = JSON.stringify(items);
  if (c.contextShown === all) return;
  c.contextShown = all;
  if (items.length) c.facts.classList.add("tied");
  const text = (item) => [item.id, make("span", "learnt", limits(item))];
  const person = items.find((i) => i.name === "person");
  const sample = items.find((i) => i.name === "sample");
  c.person.className = person ? "" : "none";
  c.person.replaceChildren(...(person ? text(person) : ["no person for the next weighing"]));
  c.sample.className = sample ? "" : "none";
  c.sample.replaceChildren(...(sample ? text(sample) : ["no sample set for the next weighing"]),
    ...items.filter((i) => i !== person && i !== sample).map((i) => make("span", "also", i.name + " " + i.id + ", " + limits(i))));
}

function showRecorded(c, id, utc, value, sample) {
  if (c.lastID === id) return;
  c.lastID = id;
  const which = sample ? "sample " + sample : c.facts.classList.contains("tied") ? "no sample" : "";
  c.recorded.replaceChildren(quantity(value) + " at " + clock(utc), make("span", "sample", which), make("span", "id", id));
}

let waitingWords = [];
let announcedAt = 0;

// announce speaks of what was recorded to screen readers: at most one sentence in three seconds.
function announce(words) {
  waitingWords.push(words);
}

function speak() {
  if (waitingWords.length === 0 || Date.now() - announcedAt < ANNOUNCE) return;
  const more = waitingWords.length - 1;
  say(byId("heard"), waitingWords.at(-1) + (more ? ", and " + more + " before it" : ""));
  waitingWords = [];
  announcedAt = Date.now();
}

function showReadings(list) {
  for (const r of list) {
    const c = cards.get(r.balance);
    if (!c) continue;
    if (r.recorded) {
      if (r.recorded !== c.lastID) announce(r.balance + " recorded " + quantity(r.value));
      showRecorded(c, r.recorded, r.utc, r.value, r.sample);
    } else {
      c.live = r;
      c.seenAt = Date.now();
      showWeight(c);
    }
  }
}

// prose gives a sentence as text and, between backquotes, commands.
function prose(sentence) {
  return sentence.split("`").map((part, i) => i % 2 ? make("code", "", part) : part);
}

// consequences is what is told under a condition: folded away, and open as long as a person wants it open.
function consequences(k, open) {
  if (!k.consequences) return [];
  const n = k.consequences.length;
  const more = make("details", "", "", make("summary", "", "What comes from it (" + number.format(n) + ")"),
    make("ul", "", "", ...k.consequences.map((c) => make("li", "", "", make("strong", "", c.severity + ": "), ...prose(c.sentence)))));
  more.dataset.of = k.code + " " + k.subject;
  more.open = open.includes(more.dataset.of);
  return [more];
}

function showConditions(list) {
  byId("trouble").hidden = list.length === 0;
  const text = JSON.stringify(list);
  if (showConditions.shown === text) return;
  showConditions.shown = text;
  say(byId("trouble-title"), "What needs attention" + (list.length > 1 ? " (" + list.length + ")" : ""));
  const part = byId("conditions");
  const open = [...part.querySelectorAll("details[open]")].map((d) => d.dataset.of);
  const focused = part.contains(document.activeElement) ? document.activeElement.closest("details")?.dataset.of : undefined;
  part.replaceChildren(...list.map((k) => make("li", k.severity, "",
    make("span", "severity", "", shape(k.severity), " " + k.severity),
    make("div", "words", "", make("p", "", "", ...prose(k.sentence)), make("p", "", "", ...prose(k.remedy)),
      ...consequences(k, open), make("p", "since", "since " + clock(k.since))))));
  if (focused) [...part.querySelectorAll("details")].find((d) => d.dataset.of === focused)?.firstChild.focus();
}

// seconds writes a length of time so that its size is seen at once: 1.250 s, 3.2 ms, 85 µs.
function seconds(s, signed) {
  const size = Math.abs(s);
  const sign = s < 0 ? "−" : signed && s > 0 ? "+" : "";
  return sign + (size >= 1 ? size.toFixed(3) + " s" : size >= 0.001 ? (size * 1e3).toFixed(1) + " ms" : Math.round(size * 1e6) + " µs");
}

const clockWords = {
  checked: ["at-rest", "checked"], holdover: ["warning", "holdover: no agreement now"], unchecked: ["warning", "unchecked: as the computer has it"],
};
const verdictShapes = { agreeing: "at-rest", falseticker: "error", silent: "not-said", refused: "error", undecided: "not-said" };

function showClock(k) {
  byId("time-part").hidden = !k || !k.state;
  const text = JSON.stringify({ ...k, bound_s: undefined, computer_ahead_s: undefined });
  if (!k || !k.state) return;
  const bound = byId("clock-bound");
  say(bound, k.bound_s === null || k.bound_s === undefined ? "How far stamps may be wrong is not known." : "Stamps are right within ± " + seconds(k.bound_s) + ".");
  if (showClock.shown === text) return;
  showClock.shown = text;
  const look = clockWords[k.state] || ["not-said", k.state];
  const state = byId("clock-state");
  state.className = "verdict " + k.state;
  state.replaceChildren(shape(look[0]), make("span", "", look[1] + ", since " + clock(k.since) + "."));
  say(byId("clock-why"), k.why || "");
  const servers = k.servers || [];
  byId("servers-part").hidden = servers.length === 0;
  byId("servers").replaceChildren(...servers.map((v) => {
    const name = make("th", "", v.address);
    name.scope = "row";
    const verdict = make("td", "", "", make("span", "verdict " + v.verdict, "", shape(verdictShapes[v.verdict] || "not-said"), make("span", "", v.verdict)));
    if (v.why) verdict.append(make("span", "why", v.why));
    const known = (n, signed) => make("td", "count", n === null || n === undefined ? "not known" : seconds(n, signed));
    return make("tr", "", "", name, verdict, known(v.offset_s, true), known(v.root_distance_s), make("td", "", v.last_answer ? clock(v.last_answer) : "none"));
  }));
}

function showSinks(list) {
  byId("sinks-part").hidden = list.length === 0;
  byId("sinks").replaceChildren(...list.map((k) => {
    const id = make("th", "", k.id, make("span", "kind", k.kind));
    id.scope = "row";
    const state = make("td", k.state, k.state);
    if (k.why) state.append(make("span", "why", k.why));
    return make("tr", "", "", id, state,
      ...[k.lag, k.parked, k.delivered].map((n) => make("td", "count", number.format(n))));
  }));
}

// stops says whether a condition, or one told under it, keeps this balance from being recorded: its own, or the journal's.
function stops(k, id) {
  const own = k.code === "readings-not-recorded" && k.subject === id;
  return (k.severity === "error" && (own || ["recording-stopped", "recording-stuck"].includes(k.code))) ||
    (k.consequences || []).some((c) => stops(c, id));
}

function showState(s) {
  say(byId("site"), s.site);
  document.title = s.site + " – weighpost";
  const list = byId("balances");
  const balances = s.balances || [];
  byId("none").hidden = balances.length > 0;
  for (const b of balances) {
    if (!cards.has(b.id)) {
      const c = newCard(b);
      cards.set(b.id, c);
      list.append(c.item);
    }
    showCard(cards.get(b.id), b, s.recording || !(s.conditions || []).some((k) => stops(k, b.id)));
  }
  for (const [id, c] of cards) {
    if (!balances.some((b) => b.id === id)) {
      c.item.remove();
      cards.delete(id);
    }
  }
  showConditions(s.conditions || []);
  showSinks(s.sinks || []);
  showClock(s.clock);
  const up = balances.filter((b) => b.port_up).length;
  const recorded = balances.reduce((n, b) => n + b.recorded, 0);
  say(byId("summary"), up + " of " + balances.length + " connected · " + number.format(recorded) + " recorded");
  say(byId("journal"), "Journal " + s.journal.incarnation + ", entry " + number.format(s.journal.head) + " · weighpost " + s.version);
}

function adrift(yes) {
  document.body.classList.toggle("adrift", yes);
  const cut = byId("cut");
  cut.hidden = !yes;
  if (yes) say(cut, "No connection to weighpost. " + (heardAt ?
    "What is shown is from " + clock(heardAt) + ", and may be wrong by now." : "Trying again."));
}

// showWho says who is signed in. It asks of itself, so that it does not count as somebody being there. Where looking is not
// allowed any more, it goes to where one signs in.
async function showWho() {
  let facts = null;
  try {
    const answer = await fetch("api/v1/session", { headers: { "X-Weighpost-Page": "looks" }, cache: "no-store" });
    if (answer.ok) facts = await answer.json();
  } catch {
    return; // the connection is gone, which is said elsewhere
  }
  const person = facts && facts.signed_in;
  byId("who").hidden = !facts;
  if (!facts) return;
  if (!facts.rights.includes("see")) return location.assign("sign-in");
  say(byId("who-said"), person ? "Signed in as " + (facts.name || facts.id) : "Not signed in");
  byId("who-in").hidden = person;
  byId("who-own").hidden = byId("who-out").hidden = !person;
}

byId("who-out").addEventListener("click", async () => {
  const answer = await fetch("api/v1/session", { method: "DELETE", headers: { "X-Weighpost-Page": "1" } }).catch(() => null);
  if (answer && answer.ok) return location.reload();
  say(byId("who-said"), "You are still signed in: weighpost did not answer.");
  say(byId("heard"), byId("who-said").textContent);
});

function connect() {
  clearTimeout(again);
  showWho();
  source = new EventSource("live");
  const on = (name, f) => source.addEventListener(name, (e) => {
    heardAt = Date.now();
    adrift(false);
    f(JSON.parse(e.data));
  });
  on("state", showState);
  on("readings", showReadings);
  source.onerror = () => {
    adrift(true);
    source.close();
    again = setTimeout(connect, 3_000);
  };
}

setInterval(() => {
  for (const c of cards.values()) showAge(c);
  speak();
  if (heardAt && Date.now() - heardAt > SILENT) adrift(true);
}, 1_000);
connect();
