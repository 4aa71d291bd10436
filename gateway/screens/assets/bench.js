// The screen at one balance: what it shows, who and which sample is on it, what to do next, and what became of each print, seen and
// heard. It is worked by scanner, keys and foot switch alone.
import { ask, ok, sentence, say, announce, make, shape, clock } from "./ask.js";
import { showAim } from "./aim.js";
import { OURS, badgeOf, cardOf, keepKeys, keysHere, rulesOf } from "./badge.js";
import { follow } from "./live.js";
import { notRecorded } from "./recording.js";
import { renew } from "./renew.js";
import { OLD, quantity, writeWeight } from "./weight.js";

const box = document.getElementById("bench");
const id = box.dataset.balance;
const api = "/api/v1/balances/" + encodeURIComponent(id);
const el = (name) => document.getElementById(name);
const field = el("scan"), pin = el("pin");
localStorage.setItem("weighpost.bench", id);

const held = { person: !el("person").classList.contains("none"), sample: !el("sample").classList.contains("none") };
let may = box.dataset.may === "true";
let signedIn = box.dataset.session === "true";
const accounts = box.dataset.accounts === "true";
let identity = box.dataset.identity;
let fit = box.dataset.fitness; // the state of the balance
let stopped = !el("not-recording").hidden; // it does not record
let name = ""; // of whoever is signed in
let me = null; // who is signed in on this screen
let pinAsked = false; // badges here need a PIN
let question = null; // what is asked: { text, yes, code }
let badge = null; // the badge that waits for its PIN

/* Words. assets/bench.js and bench.go say the same of what to do next. */

const runPart = () => document.querySelector('[data-part="here-run"]');

function whatNext() {
  if (stopped) return "Write each weight down by hand.";
  if (question) return "Enter: yes. Escape: no.";
  if (badge) return "Type your PIN, then Enter.";
  if (!may) return "This screen only shows." + (accounts ? " Scan your badge to weigh." : "");
  if (fit === "out of service") return "Do not weigh here: the balance is out of service.";
  if (identity === "unconfirmed") return "Scan the label of the balance: it may be another one.";
  if (runPart().dataset.there) return runPart().dataset.say;
  if (!held.person) return "Scan your badge.";
  if (!held.sample) return "Scan the sample.";
  return "Put the sample on, and print at the balance.";
}

let wordUntil = 0;
// tell says one thing in the line of what to do next, and what to do next after it.
function tell(text, bad) {
  say(el("next"), text);
  el("next").classList.toggle("bad", Boolean(bad));
  wordUntil = Date.now() + (bad ? 8_000 : 4_000);
}
function showNext(now) {
  if (!now && Date.now() < wordUntil) return;
  wordUntil = 0;
  el("next").classList.remove("bad");
  say(el("next"), whatNext());
}
setInterval(() => { if (wordUntil) showNext(); }, 500);

function showTies(items) {
  const find = (name) => items.find((i) => i.name === name);
  const person = find("person"), sample = find("sample");
  held.person = Boolean(person);
  held.sample = Boolean(sample);
  say(el("person"), person ? person.person || person.id : "nobody");
  el("person").classList.toggle("none", !person);
  say(el("sample"), sample ? sample.id : "none");
  el("sample").classList.toggle("none", !sample);
  say(el("uses"), sample?.uses_left !== undefined ? "for " + sample.uses_left + " more" : "");
  showActing();
  showNext();
}

/* Sound: tones of our own. They differ in rhythm and in pitch, so that nobody has to look to tell them apart. */

let audio = null;
const tunes = { // pairs of pitch in Hz (0: silence) and length in s
  recorded: ["sine", [[880, 0.07], [0, 0.03], [1320, 0.14]]],
  doubtful: ["sine", [[880, 0.07], [0, 0.03], [1320, 0.07], [0, 0.05], [660, 0.16]]],
  refused: ["triangle", [[370, 0.16], [0, 0.08], [370, 0.16], [0, 0.08], [277, 0.3]]],
  asks: ["triangle", [[523, 0.12], [0, 0.05], [784, 0.12]]],
  "not-recording": ["sawtooth", [[196, 0.45], [0, 0.12], [147, 0.45], [0, 0.12], [196, 0.45], [0, 0.12], [147, 0.6]]],
};
let quietUntil = 0;
function sound(name) {
  if (!audio || audio.state !== "running") return;
  const now = audio.currentTime;
  if (now < quietUntil && name !== "not-recording") return; // one after the other, and none on top of another
  const [wave, notes] = tunes[name];
  let t = now + 0.01;
  for (const [hz, length] of notes) {
    if (hz) {
      const o = audio.createOscillator(), g = audio.createGain();
      o.type = wave;
      o.frequency.value = hz;
      g.gain.setValueAtTime(0, t);
      g.gain.linearRampToValueAtTime(0.25, t + 0.01);
      g.gain.setValueAtTime(0.25, t + length - 0.02);
      g.gain.linearRampToValueAtTime(0, t + length);
      o.connect(g).connect(audio.destination);
      o.start(t);
      o.stop(t + length);
    }
    t += length;
  }
  quietUntil = t;
  box.dataset.heard = name;
}
function showSound() {
  say(el("sound"), audio?.state === "running" ? "Sound is on." : "Sound is off until a key is pressed.");
}
async function wake() {
  try {
    audio ??= new AudioContext();
    audio.onstatechange = showSound;
    if (audio.state !== "running") await audio.resume();
  } catch { /* there is no sound here: the line says so */ }
  showSound();
}
try { audio = new AudioContext(); audio.onstatechange = showSound; } catch { /* likewise */ }
showSound();
for (const kind of ["keydown", "pointerdown"]) addEventListener(kind, wake, { capture: true });

/* What became of each print. */

const outcomes = { // class, shape, word, tune
  recorded: ["good", "well", "Recorded", "recorded"],
  refused: ["bad", "warning", "Refused", "refused"],
  checked: ["good", "well", "Taken by the check", "recorded"],
  unread: ["bad", "warning", "Not read", "refused"],
  "not-recording": ["stop", "error", "NOT RECORDED", "not-recording"],
};

function showAnswer(a) {
  if (a.balance !== id) return;
  let [cls, form, word, tune] = outcomes[a.outcome] ?? outcomes.unread;
  if (a.outcome === "recorded" && a.why) [cls, form, tune] = ["doubt", "warning", "doubtful"];
  const ofContext = (name) => a.context?.find((c) => c.name === name);
  const sample = ofContext("sample"), person = ofContext("person");
  const rows = [];
  if (a.value) rows.push(make("p", "value", quantity(a.value)));
  if (a.outcome === "recorded" || a.context) rows.push(make("p", "for", "for " + (sample ? "sample " + sample.id : "no sample") + ", " + (person ? person.person || person.id : "nobody signed in")));
  if (a.why) rows.push(make("p", "why", a.why));
  rows.push(make("p", "fine", [clock(a.utc), a.id].filter(Boolean).join(" · ")));
  const band = el("answer");
  band.className = "answer " + cls;
  band.hidden = false;
  band.replaceChildren(shape(form), make("strong", "", word), make("div", "", "", ...rows));
  sound(tune);
  runLater();
  announce(word + ". " + rows.slice(0, -1).map((r) => r.textContent).join(". "));
  if (a.outcome === "not-recording") {
    if (a.why.includes("waits in memory")) waiting.set(a.utc, a.why);
    alarm(true, a.why);
  } else {
    waiting.delete(a.utc);
  }
  if (sample && sample.uses_left === 0) { held.sample = false; say(el("sample"), "none"); el("sample").classList.add("none"); say(el("uses"), ""); }
  showNext(true);
}

const waiting = new Map(); // prints that were told as not recorded and are still in memory: when, and why

// alarm says that nothing is recorded, until it is again.
function alarm(on, why) {
  stopped = on;
  if (on) say(el("not-why"), why || "Weights are not being recorded.");
  el("not-recording").hidden = !on;
  box.classList.toggle("stopped", on);
  showNext(true);
}

/* What is live. */

const places = { weight: el("digits").parentElement, digits: el("digits"), unit: el("unit"), rest: el("rest") };
function showReading(l) {
  writeWeight(places, l);
  places.weight.classList.remove("old");
  say(el("when"), clock(l.utc));
  seenAt = Date.now();
  latest = l;
  showAim(l);
}
// showFitness asks for the band on the balance's fitness anew, where it is in another state.
let askingFitness = false;
async function showFitness(f) {
  const print = f ? f.state + " " + (f.due ?? "") : "";
  if (askingFitness || document.querySelector('[data-part="fitness"]').dataset.print === print) return;
  askingFitness = true;
  const fresh = await renew(["fitness"]);
  askingFitness = false;
  const band = fresh?.[0];
  if (band && !band.hidden) announce(band.querySelector("div > div").textContent);
}

/* The run at this balance. It is looked at anew once a second while one is there, and soon after the balance told something. */

let runSoon = 0, lookingAtRun = false, lookAgain = false;
async function lookAtRun() {
  if (document.hidden) return;
  if (lookingAtRun) return void (lookAgain = true); // what has changed since may not be in the answer that is on its way
  lookingAtRun = true;
  const before = { ...runPart().dataset };
  const fresh = await renew(["here-run"]);
  lookingAtRun = false;
  if (lookAgain) { lookAgain = false; runLater(); }
  if (!fresh) return;
  const now = runPart().dataset;
  if (now.request !== before.request || now.sender !== before.sender) askToBegin(now);
  showAim(latest);
  if (now.print === before.print) return;
  showNext();
  if (now.there) announce([...runPart().querySelectorAll(".stopped-line")].map((e) => e.textContent.trim() + " ").join("") + now.say);
}
// askToBegin asks whether the run of the one request is to begin that waits for the sample which was just scanned.
function askToBegin(now) {
  if (question?.request) { question = null; showQuestion(); }
  if (!now.request || question || !may) return;
  const request = { from: now.sender, id: now.request };
  question = { text: now.asks, request, yes: async () => {
    const answer = await ask("POST", "/api/v1/runs", { request, balance: id });
    if (!ok(answer)) return tell(sentence(answer), true);
    runLater();
  } };
  showQuestion();
}
function runLater() { runSoon ||= setTimeout(() => { runSoon = 0; lookAtRun(); }, 60); }
let sampleThere = el("sample").classList.contains("none") ? undefined : el("sample").textContent;
let latest = null; // what the balance told last, while it is fresh
setInterval(() => { if (runPart().dataset.there) lookAtRun(); }, 1_000);

let seenAt = 0, up = true;
setInterval(() => {
  if (seenAt && (Date.now() - seenAt > OLD || !up)) {
    places.weight.classList.add("old");
    latest = null;
    showAim(null);
  }
}, 1_000);

follow({
  state(s) {
    const b = s.balances.find((one) => one.id === id);
    if (!b) return tell("This balance is not configured any more.", true);
    identity = b.identity;
    fit = b.fitness?.state;
    showFitness(b.fitness);
    if (up !== b.port_up || seenAt === 0) {
      up = b.port_up;
      if (!up) say(el("when"), "the port is down");
    }
    const wrong = notRecorded(s.conditions, id);
    if (b.waiting === 0) waiting.clear();
    alarm(wrong.length + waiting.size > 0, wrong[0]?.sentence ?? [...waiting.values()][0]);
    const had = held.person;
    if (b.context.some((i) => i.name === "run") !== Boolean(runPart().dataset.there)) runLater();
    showTies(b.context);
    const there = b.context.find((i) => i.name === "sample")?.id;
    if (there !== sampleThere) {
      delete runPart().dataset.request; // the same sample, scanned again, is asked about again
      if (!runPart().dataset.there) runLater();
    }
    sampleThere = there;
    if (had && !held.person && signedIn) refresh(); // somebody signed out beside this screen
  },
  readings(list) {
    for (const l of list) if (l.balance === id && !l.recorded) showReading(l);
  },
  answer: showAnswer,
  adrift(yes) { if (yes) announce("No connection to weighpost"); },
}, "/live?balance=" + encodeURIComponent(id));

/* Who acts. */

// refresh asks who is signed in on this screen, and what they may do here.
async function refresh() {
  if (!accounts) return;
  const answer = await ask("GET", "/api/v1/session");
  if (!ok(answer)) return;
  me = answer.id ?? null;
  name = answer.name || me;
  pinAsked = Boolean(answer.ways?.pin);
  signedIn = Boolean(answer.signed_in);
  may = answer.rights.includes("weigh") && (!answer.balances || answer.balances.includes(id));
  showActing();
  showNext(true);
}

const steps = { next: "Next", repeat: "Repeat", abandon: "Abandon" };
function showActing() {
  const place = el("acting");
  if (!may) return place.replaceChildren();
  if (!place.querySelector(".steps")) {
    place.append(make("p", "steps", "", ...Object.keys(steps).map((step) => {
      const b = make("button", step === "next" ? "" : "plain", steps[step] + " ", make("kbd"));
      b.type = "button";
      b.dataset.step = step;
      b.querySelector("kbd").dataset.key = step;
      return b;
    })));
    showKeys();
  }
  let mine = place.querySelector("#mine");
  if (held.person || !me) return mine?.remove();
  if (mine) return;
  mine = make("button", "plain", "Weigh as " + name);
  mine.id = "mine";
  mine.type = "button";
  mine.addEventListener("click", () => change("PATCH", api + "/context", { person: { id: me } }, "You weigh here now."));
  place.querySelector(".steps").append(mine);
}

/* Asking weighpost. One after the other, in the order in which it was scanned. */

let queue = Promise.resolve();
const inTurn = (what) => (queue = queue.then(what, what));

function ask409(answer, again, code) {
  question = { text: (answer.detail || sentence(answer)).replace(/ (Send it again with "confirm": true|Confirm within 30 s that it is meant|Scan it once more within 30 s if it is meant)\.?/g, "") + " Is that meant?", yes: again, code };
  showQuestion();
}
function showQuestion() {
  el("question").hidden = !question;
  showNext(true);
  if (!question) return field.focus();
  say(el("asks"), question.text);
  announce(question.text + " Enter: yes. Escape: no.");
  sound("asks");
}

// change has something done, and says what became of it.
async function change(method, path, body, done, code) {
  const answer = await ask(method, path, body);
  if (ok(answer)) {
    if (answer.identity) identity = answer.identity;
    if (answer.items) showTies(answer.items);
    runLater();
    tell(typeof done === "function" ? done(answer) : done);
    if (!held.person && signedIn) refresh();
    return true;
  }
  if (answer.status === 409 && /confirm/i.test(answer.title)) {
    ask409(answer, () => change(method, path, { ...body, confirm: true }, done, code), code);
    return false;
  }
  if (answer.status === 401 || answer.status === 403) await refresh();
  tell(sentence(answer), true);
  announce(sentence(answer));
  sound("refused");
  return false;
}

// ofRun is what the steps of the keys come to where a run is at the balance.
const ofRun = { next: "Done. The run goes on.", repeat: "It is done again.", abandon: "The run is abandoned. What was recorded stays." };

function step(name, how) {
  if (!may) return tell(whatNext(), true);
  const was = held.sample ? el("sample").textContent : "";
  const said = runPart().dataset.there ? ofRun : {
    next: (was ? "Sample " + was + " is finished. " : "") + "Scan the next sample.",
    repeat: "The same sample once more: put it on, and print.",
    abandon: (was ? "Sample " + was + " is abandoned. " : "") + "What was recorded stays.",
  };
  inTurn(() => change("POST", api + "/steps/" + name, { how }, said[name]));
}

const rules = rulesOf(box.dataset.rules);
const badgeHere = (code) => badgeOf(rules, code, !signedIn && accounts);

async function signIn(code, secret) {
  const answer = await ask("POST", "/api/v1/session/badge", secret ? { code, pin: secret, balance: id } : { code, balance: id });
  badge = null;
  pin.value = "";
  pin.hidden = pin.labels[0].hidden = true;
  field.focus();
  if (!ok(answer)) {
    tell(sentence(answer), true);
    announce(sentence(answer));
    sound("refused");
    return refresh();
  }
  await refresh();
  tell("Signed in: " + (answer.name || answer.id) + ".");
  announce("Signed in: " + (answer.name || answer.id));
}

const closeCard = "benchpostclose";

async function scanned(code, typed) {
  if (badge) { badge = null; pin.hidden = pin.labels[0].hidden = true; }
  const own = cardOf(code);
  const label = own.startsWith(OURS + "at");
  if (question && own === OURS + "sure") return yes();
  if (question && question.code === code) return yes();
  if (question) { question = null; showQuestion(); }
  const found = own.startsWith(OURS) && !label ? null : await ask("GET", "/api/v1/labels?code=" + encodeURIComponent(code));
  if (found && ok(found)) return found.balance === id ? sameBalance() : otherBalance(found.balance, code);
  if (label) return refused(found);
  if (own.startsWith(OURS + "mass")) return tell("That is the label of a reference weight. It is chosen where a check is begun.", true);
  const b = own.startsWith(OURS) ? null : badgeHere(code);
  if (b !== null && accounts) {
    if (!pinAsked) return signIn(b);
    badge = b;
    pin.hidden = pin.labels[0].hidden = false;
    pin.focus();
    return showNext(true);
  }
  if (!may) { tell(whatNext(), true); return sound("refused"); }
  const body = typed ? { raw: code, typed: true } : { raw: code };
  const there = runPart().dataset.there;
  const said = there ? { [OURS + "next"]: ofRun.next, [OURS + "redo"]: ofRun.repeat, [OURS + "drop"]: ofRun.abandon, [closeCard]: "Signed out." } : { [OURS + "next"]: "The sample is finished. Scan the next sample.", [OURS + "redo"]: "The same sample once more: put it on, and print.", [OURS + "drop"]: "Abandoned. What was recorded stays.", [closeCard]: "Signed out." };
  const done = await change("POST", api + "/scan", body, said[own] ?? ((view) => {
    const sample = view.items.find((i) => i.name === "sample");
    return sample && code.includes(sample.id) && !there ? "Sample " + sample.id + ". " + whatNext() : whatNext();
  }), code);
  if (done && own === closeCard) {
    await ask("DELETE", "/api/v1/session");
    await refresh();
  }
}

function refused(answer) {
  tell(sentence(answer), true);
  announce(sentence(answer));
  sound("refused");
}

function sameBalance() {
  if (!may) return tell("This screen is at " + id + " already. " + whatNext());
  return change("POST", api + "/scan", { raw: "BENCHPOSTAT" + id }, "This balance is " + id + ".");
}

function otherBalance(other, code) {
  question = { text: "That is the label of " + other + ", and this screen is at " + id + ". Was the balance exchanged, or is this screen to go to " + other + "?", code, yes: async () => {
    if (signedIn && held.person) await ask("DELETE", "/api/v1/session");
    localStorage.setItem("weighpost.bench", other);
    location.assign("/bench/" + encodeURIComponent(other));
  } };
  showQuestion();
}

function yes() {
  const q = question;
  question = null;
  showQuestion();
  return q.yes();
}
function no() {
  if (badge) { badge = null; pin.value = ""; pin.hidden = pin.labels[0].hidden = true; field.focus(); }
  if (question) { question = null; showQuestion(); tell("Nothing was done."); }
  showNext();
}
el("yes").addEventListener("click", () => inTurn(() => question && yes()));
el("no").addEventListener("click", no);

/* Keys: a scanner is a keyboard that is quick. */

const keys = keysHere();
let learning = null;
function showKeys() {
  for (const k of document.querySelectorAll("[data-key]")) say(k, keys[k.dataset.key]);
}
showKeys();
const never = ["Enter", "Escape", "Tab", "Shift", "Control", "Alt", "Meta", "CapsLock", "Dead", "Unidentified", "Backspace"];
let began = 0, typedKeys = 0;

addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey) return;
  if (learning) {
    e.preventDefault();
    if (e.key === "Escape") { learning = null; showKeys(); return; }
    const taken = Object.keys(keys).find((k) => k !== learning && keys[k] === e.key);
    // What a scanner sends cannot be a step: a sample's id would be one.
    if (never.includes(e.key) || e.key.length === 1 || taken) return announce("That key cannot be it: choose another.");
    keys[learning] = e.key;
    keepKeys(keys);
    learning = null;
    return showKeys();
  }
  for (const name of Object.keys(steps)) {
    if (e.key === keys[name]) {
      e.preventDefault();
      if (!e.repeat) step(name, "key");
      return;
    }
  }
  if (e.key === "Escape") return no();
  const elsewhere = e.target !== field && e.target !== pin && e.target.closest?.("button, a, summary, input");
  if (e.key === "Enter" && question && !field.value && !(elsewhere && el("question").contains(e.target))) {
    e.preventDefault();
    return inTurn(() => question && yes());
  }
  if (e.key.length === 1 && e.target !== field && e.target !== pin && !(e.key === " " && elsewhere)) field.focus(); // the character goes there
  if (e.key.length === 1) {
    if (!field.value) { began = e.timeStamp; typedKeys = 0; }
    typedKeys++;
  }
});

document.addEventListener("click", (e) => {
  const b = e.target.closest("button");
  if (b?.dataset.step) step(b.dataset.step, "button");
  if (b?.dataset.learn) {
    learning = b.dataset.learn;
    say(b.querySelector("kbd"), "press a key …");
  }
});

el("scan-form").addEventListener("submit", (e) => {
  e.preventDefault();
  if (badge && !pin.hidden && pin.value) {
    const code = badge, secret = pin.value;
    return inTurn(() => signIn(code, secret));
  }
  const code = field.value;
  field.value = "";
  if (!code.trim()) return;
  const quick = typedKeys > 0 && (e.timeStamp - began) / typedKeys < 40; // ms a character: no hand types so fast
  typedKeys = 0;
  inTurn(() => scanned(quick ? code : code.trim(), !quick));
});

field.disabled = false; // what is scanned before there is a script would be lost without a word
refresh();
showTies([...(held.person ? [{ name: "person", id: el("person").textContent }] : []), ...(held.sample ? [{ name: "sample", id: el("sample").textContent }] : [])]);
field.focus();
