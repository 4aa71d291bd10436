// A run of a procedure at a bench: one instruction at a time, the weight beside its target, worked by a scanner, keys, a foot switch or
// gloves alone. The page is looked at anew with what the balance shows, and its parts come from weighpost as it writes them.
import { ask, ok, sentence, say, announce, clock } from "./ask.js";
import { showAim } from "./aim.js";
import { OURS, badgeOf, cardOf, keysHere, rulesOf } from "./badge.js";
import { follow } from "./live.js";
import { renew } from "./renew.js";
import { OLD, writeWeight } from "./weight.js";

const box = document.getElementById("run");
const api = box.dataset.api, balance = box.dataset.balance;
const el = (name) => document.getElementById(name);
const part = (name) => document.querySelector('[data-part="run-' + name + '"]');
const PACE = 1_000; // ms between two looks at the run, and more often where the balance tells something
const SOON = 60; // ms after a reading until its run is looked at
const QUICK = 1_000; // ms between two keys of one code, at most
const CALM = 500; // ms after a new instruction in which Enter does nothing: it was meant for the one before

let print = part("print").dataset.print, offer = part("print").dataset.offer;
let typed = "", typedAt = 0; // what came from the keyboard while no field had it
let busy = false, newAt = Date.now(), latest = null, latestAt = 0;

/* What the page shows. */

// showNew has the parts written anew, and says aloud what is new in them.
async function showNew() {
  const before = { ...part("head")?.dataset };
  const fresh = await renew(["run-head", "run-aim", "run-offer", "run-acts", "run-taken"]);
  if (!fresh) return;
  const now = part("head").dataset;
  showAim(latestNow());
  count();
  if (now.step === before.step && now.waiting === before.waiting && now.note === before.note) return;
  newAt = Date.now();
  announce([...part("head").querySelectorAll(".stopped-line, .progress b, .say, .outside .value")].map((e) => e.textContent.trim()).join(". "));
  toField();
}

// toField puts the keyboard where the answer goes, unless somebody writes a reason. What a scanner has begun to type goes there too: the rest alone
// could be the code of something else.
function toField() {
  if (document.activeElement?.closest?.("details[open] form")) return;
  const to = part("acts").querySelector("[data-first]") ?? el("say");
  to?.focus({ preventScroll: true });
  if (to?.matches("input") && typed && Date.now() - typedAt < QUICK) to.value = typed + to.value;
  typed = "";
}

let looking = false, soon = 0, lost = 0;
async function look() {
  if (looking || busy || document.hidden) return;
  looking = true;
  const fresh = await renew(["run-print"]);
  looking = false;
  if (!fresh) { if (++lost > 5) announce("No connection to weighpost"); return; }
  lost = 0;
  const next = part("print").dataset;
  if (next.print === print) return offered(next.offer);
  print = next.print;
  offer = next.offer;
  if (!part("head") || await hasMoved()) return location.reload();
  await showNew();
}

// offered has what an instrument has sent written anew, and nothing else: somebody may be typing. Not under a finger that is just pressing it.
async function offered(now) {
  if (now === offer || part("offer")?.querySelector(":active")) return;
  offer = now;
  await renew(["run-offer"]);
}
function lookSoon() { soon ||= setTimeout(() => { soon = 0; look(); }, SOON); }

// hasMoved says whether the run is at another balance than this page follows, or has ended.
async function hasMoved() {
  const answer = await ask("GET", api, undefined, { "X-Weighpost-Page": "looks" });
  return ok(answer) && ((answer.balance ?? "") !== balance || answer.state !== "open");
}

/* What is done. */

function wrong(answer) {
  el("wrong").hidden = !answer;
  say(el("wrong"), answer ? sentence(answer) : "");
  if (answer) announce(sentence(answer));
}

async function act(what) {
  if (busy) return false;
  busy = true;
  const answer = await ask("POST", api + "/act", what);
  busy = false;
  wrong(ok(answer) ? null : answer);
  if (ok(answer) && ((answer.balance ?? "") !== balance || answer.state !== "open")) { location.reload(); return true; }
  await look();
  return ok(answer);
}

// main does what the step waits for, as the large button does.
function main() {
  const button = box.querySelector("[data-main]:not(:disabled)");
  if (!button) return wrongKey();
  if (Date.now() - newAt < CALM) return;
  newAt = Date.now();
  act(JSON.parse(button.dataset.act));
}
function wrongKey() {
  announce("This step waits for something else. " + (el("say")?.textContent ?? ""));
}

function unfold(name) {
  const d = el(name);
  if (!d) return wrongKey();
  d.open = true;
  d.scrollIntoView({ block: "center" });
  d.querySelector("button, input")?.focus();
}
const steps = { next: main, repeat: () => unfold(el("repeat") ? "repeat" : "back"), abandon: () => unfold("end") };

const rules = rulesOf(box.dataset.rules);
const accounts = box.dataset.accounts === "true", signedIn = box.dataset.signed === "true";
const cards = { [OURS + "next"]: steps.next, [OURS + "redo"]: steps.repeat, [OURS + "drop"]: steps.abandon, [OURS + "sure"]: () => part("acts").querySelector('[data-act=\'{"yes":true}\']')?.click(),
  [OURS + "close"]: () => document.getElementById("sign-out")?.click() ?? ask("DELETE", "/api/v1/session").then(() => location.reload()) };

// scanned is whatever came from a scanner or was typed in its place: a card, a badge, or what the step waits for.
async function scanned(code) {
  const own = cardOf(code);
  if (cards[own]) return cards[own]();
  if (balance && own.startsWith(OURS + "at")) return labelled(code);
  const badge = accounts && balance && !own.startsWith(OURS) ? badgeOf(rules, code, !signedIn) : null;
  if (badge !== null) {
    const answer = await ask("POST", "/api/v1/session/badge", { code: badge, balance });
    return ok(answer) ? location.reload() : wrong(answer);
  }
  if (part("acts").dataset.mine !== "true" || part("acts").dataset.waiting !== "scan") return wrong({ title: "Nothing was done with " + code, detail: "This step does not wait for a scan." });
  return act({ scan: code });
}

// labelled is the label of a balance: after its line was lost, it says that this is still the one that the run is at.
async function labelled(code) {
  const found = await ask("GET", "/api/v1/labels?code=" + encodeURIComponent(code));
  if (!ok(found)) return wrong(found);
  if (found.balance !== balance) return wrong({ title: "That is the label of " + found.balance, detail: "The run is at " + balance + ". To go on at the other one, choose it below." });
  const answer = await ask("POST", "/api/v1/balances/" + encodeURIComponent(balance) + "/scan", { raw: "BENCHPOSTAT" + balance });
  return wrong(ok(answer) ? { title: "This is the balance " + balance } : answer);
}

async function enter(form) {
  const field = form.querySelector("input, select"), value = field.value.trim();
  if (!value) return field.focus();
  if (form.dataset.field === "scan") {
    field.value = "";
    return scanned(value);
  }
  if (cards[cardOf(value)]) { field.value = ""; return cards[cardOf(value)](); }
  if (field.matches("input")) field.value = ""; // it is sent, and must not be in front of the next answer
  if (await act({ [form.dataset.field]: value })) return;
  const again = el(field.id);
  if (again && !again.value) again.value = value;
  again?.focus();
}

/* Reasons: one at hand, or one that is typed. What cannot be undone is asked for once more. */

let waits = null; // what a second question is about
async function give(form, reason) {
  if (!reason.trim()) return form.querySelector("input").focus();
  const body = { [form.dataset.field]: reason.trim() };
  const ref = form.querySelector("[data-ref]")?.value.trim();
  if (ref) body.ref = ref;
  if (form.dataset.sure) {
    waits = body;
    const asks = form.querySelector(".sure");
    say(asks.querySelector("p"), form.dataset.sure);
    asks.hidden = false;
    announce(form.dataset.sure);
    return asks.querySelector("[data-sure-no]").focus();
  }
  const fold = form.closest("details").id;
  if (!await act(body)) return;
  if (el(fold)) el(fold).open = false; // the page was written anew: it is not the same any more
  toField();
}

document.addEventListener("submit", (e) => {
  const form = e.target.closest(".run-form, .reason-form");
  if (!form) return;
  e.preventDefault();
  e.stopPropagation();
  if (form.matches(".run-form")) enter(form);
  else give(form, form.querySelector("input:not([data-ref])").value);
}, { capture: true });

document.addEventListener("click", (e) => {
  const b = e.target.closest("button");
  if (!b || !box.contains(b)) return;
  if (b.dataset.act) act(JSON.parse(b.dataset.act));
  else if (b.dataset.answer !== undefined) act({ answer: b.dataset.answer });
  else if (b.dataset.reason) give(b.closest("form"), b.dataset.reason);
  else if (b.dataset.sureNo !== undefined) { waits = null; b.closest(".sure").hidden = true; toField(); }
  else if (b.dataset.sureYes !== undefined && waits) { const body = waits; waits = null; act(body); }
});

/* Keys. What a scanner types ends with Enter as well, and goes to where the step waits for it. */

const keys = keysHere();
addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || !box.dataset.open || box.dataset.open === "false") return;
  for (const name of Object.keys(steps)) {
    if (e.key === keys[name]) {
      e.preventDefault();
      if (!e.repeat) steps[name]();
      return;
    }
  }
  if (e.key === "Enter" && e.target.id === "answer" && !e.target.value.trim() && part("offer")?.querySelector("[data-main]")) {
    e.preventDefault(); // nothing is typed, and a reading is offered
    if (!e.repeat) main();
    return;
  }
  if (e.target.closest?.("input, textarea, select, summary, a")) return;
  if (e.key.length === 1 && e.key !== " ") {
    const field = part("acts").querySelector("input[data-first]");
    if (field && !typed) return field.focus({ preventScroll: true }); // the character goes there
    typed = (Date.now() - typedAt > QUICK ? "" : typed) + e.key;
    typedAt = Date.now();
    return;
  }
  if (e.key !== "Enter") return;
  if (typed && Date.now() - typedAt < QUICK) {
    const code = typed;
    typed = "";
    e.preventDefault();
    scanned(code);
  } else if (!e.repeat && !e.target.closest?.("button")) {
    e.preventDefault();
    main();
  }
});

/* What the balance shows. */

const latestNow = () => (latest && Date.now() - latestAt <= OLD ? latest : null);
function live() {
  const places = { weight: el("digits").parentElement, digits: el("digits"), unit: el("unit"), rest: el("rest") };
  follow({
    readings(list) {
      for (const l of list) {
        if (l.balance !== balance || l.recorded || l.answer) continue;
        latest = l;
        latestAt = Date.now();
        writeWeight(places, l);
        places.weight.classList.remove("old");
        say(el("when"), clock(l.utc));
        showAim(l);
        if (l.value?.stability !== "unstable") lookSoon();
      }
    },
    answer() { lookSoon(); },
    adrift(yes) { if (yes) announce("No connection to weighpost"); },
  }, "/live?balance=" + encodeURIComponent(balance));
  setInterval(() => {
    if (!latestAt || latestNow()) return;
    places.weight.classList.add("old");
    showAim(null);
  }, 1_000);
}

/* A step that waits: how long still, by weighpost's clock. */

const opened = Date.now();
let ahead = null; // of this computer's clock before weighpost's, in ms
function count() {
  const line = el("countdown");
  if (!line) return;
  ahead ??= opened - Date.parse(line.dataset.now);
  const left = Math.ceil((Date.parse(line.dataset.due) - (Date.now() - ahead)) / 1000);
  const two = (n) => String(n).padStart(2, "0");
  say(line, left <= 0 ? "it is over" : "in " + (left >= 3600 ? Math.floor(left / 3600) + ":" + two(Math.floor(left / 60) % 60) : Math.floor(left / 60)) + ":" + two(left % 60) + (left >= 3600 ? " h" : " min"));
  const go = part("acts").querySelector("[data-after]");
  if (left <= 0 && go?.disabled) {
    go.disabled = false;
    announce("The time is over.");
    lookSoon();
  }
}

if (box.dataset.open === "true") {
  if (balance && el("digits")) live();
  setInterval(look, PACE);
  setInterval(count, 1_000);
  count();
  toField();
  if (location.hash.length > 1 && el(location.hash.slice(1))?.matches("details")) unfold(location.hash.slice(1));
} else {
  el("say")?.focus();
}
