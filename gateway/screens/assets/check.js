// The guided check at a bench: one instruction at a time, looked at anew with what the balance shows, worked by keys, a scanner or gloves alone.
import { ask, ok, sentence, say, announce, shape, clock } from "./ask.js";
import { follow } from "./live.js";
import { OLD, writeWeight } from "./weight.js";

const box = document.getElementById("check");
const id = box.dataset.balance, api = box.dataset.api;
const el = (name) => document.getElementById(name);
const here = "/bench/" + encodeURIComponent(id) + "/check";
const PACE = 250; // ms between two looks at the check, and more often where the balance tells something: what comes next is there within 300 ms
const SOON = 60; // ms after a reading until its check is looked at
const CALM = 500; // ms after a new question in which no key answers it: it was meant for the one before
const TAKEN = 1_600; // ms that "taken" is shown

/* Before it: the label of a weight chooses the weight. */

const begin = el("begin");
if (begin) {
  const field = el("weight-scan");
  const boxes = [...begin.querySelectorAll('input[name="weights[]"]')];
  const MARK = "benchpostmass";
  field.addEventListener("keydown", (e) => {
    if (e.key !== "Enter") return;
    e.preventDefault(); // it does not begin the check
    let code = field.value.trim().replace(/^\][A-Za-z][A-Za-z0-9]/, "").toLowerCase();
    field.value = "";
    if (!code) return;
    if (code.startsWith(MARK)) code = code.slice(MARK.length);
    const found = boxes.find((b) => b.value.toLowerCase() === code);
    if (!found) return say(el("scanned"), "No reference weight " + code + " is registered.");
    if (found.disabled) return say(el("scanned"), found.value + " is not to be used: " + found.closest(".pick").querySelector(".also").textContent);
    found.checked = true;
    found.closest(".pick").scrollIntoView({ block: "nearest" });
    say(el("scanned"), found.value + " is chosen: " + found.dataset.says + ".");
  });
  begin.addEventListener("submit", (e) => {
    if (boxes.some((b) => b.checked)) return;
    e.preventDefault();
    e.stopPropagation();
    say(el("scanned"), "Choose the reference weights that are at hand.");
    field.focus();
  });
}

/* While it runs. */

const may = box.dataset.may === "true";
const phaseWords = { // as phasesOf in checkpage.go
  zero: ["place", "empty-pan", "Zero"], lift: ["place", "take-off", "Lift off"], place: ["place", "put-on", "Place"], wait: ["wait", "moving", "Wait"],
};
let now = null, shownKey = "", askedAt = 0, takenUntil = 0, atRest = false, busy = false;
const asks = () => now?.waiting === "answer" || now?.waiting === "confirm";

function showPhase() {
  el("phases").hidden = asks() || now.unheard === true;
  const [place, form, word] = phaseWords[now.waiting] ?? phaseWords.place;
  const at = Date.now() < takenUntil ? "taken" : asks() ? "" : place === "wait" && atRest ? "settled" : place;
  for (const li of el("phases").children) {
    const is = li.dataset.phase === at;
    if (is !== li.hasAttribute("aria-current")) is ? li.setAttribute("aria-current", "step") : li.removeAttribute("aria-current");
    if (li.dataset.phase === "place" && li.dataset.form !== form) {
      li.dataset.form = form;
      li.querySelector("svg").replaceWith(shape(form));
      say(li.querySelector(".w"), word);
    }
  }
}

function show(view) {
  const before = now;
  now = view;
  if (view.outcome || view.waiting === "ended") return ended(view.check.id);
  say(el("number"), "Step " + view.step + " of " + view.of);
  say(el("name"), view.name ?? "");
  el("bar").value = view.step;
  say(el("say"), view.say ?? "");
  el("say").classList.toggle("doubt", view.waiting === "confirm");
  el("note").hidden = !view.note;
  el("note").classList.toggle("unheard", view.unheard === true);
  if (view.unheard) writeOld();
  say(el("note-words"), view.note ?? "");
  el("taken-line").hidden = !view.taken;
  say(el("taken"), view.taken ?? "");
  if (before && view.step > before.step && view.taken) takenUntil = Date.now() + TAKEN;
  if (asks() || view.unheard) takenUntil = 0;
  el("asks").hidden = !asks();
  const key = el("print-key");
  key.hidden = asks() || view.unheard === true || view.waiting === "lift" || key.dataset.prints !== "true";
  if (may) showActs(view);
  showPhase();
  tellAloud(view, before);
}

function showActs(view) {
  const doubt = view.waiting === "confirm";
  say(el("yes-word"), doubt ? "Yes, it is the right one" : "Yes");
  say(el("no-word"), doubt ? "No, another goes on" : "No");
  el("yes-key").hidden = doubt;
  el("yes").classList.toggle("plain", doubt);
  el("no").classList.toggle("plain", !doubt);
  el("no-means").hidden = view.waiting !== "answer";
  el("again").hidden = !(view.repeats > 0 && view.taken);
  say(el("repeats"), view.repeats === 1 ? "It can be done again once." : "It can be done again " + view.repeats + " times.");
}

// tellAloud has a screen reader say what is new: what was taken, and what comes next.
function tellAloud(view, before) {
  const key = [view.step, view.waiting === "wait" ? "wait" : view.say, view.note ?? ""].join("|");
  if (key === shownKey) return;
  shownKey = key;
  if (asks()) askedAt = Date.now();
  const words = [];
  if (before && view.step > before.step && view.taken) words.push("Taken: " + view.taken + ".");
  words.push(view.waiting === "wait" ? "Wait until it has come to rest." : "Step " + view.step + " of " + view.of + ". " + (view.say ?? ""));
  if (view.note) words.push(view.note);
  if (view.waiting === "confirm" && may) words.push("Escape: No, another goes on. Only the button says that it is the right one.");
  else if (asks() && may) words.push("Enter: " + el("yes-word").textContent + ". Escape: " + el("no-word").textContent + ".");
  announce(words.join(" "));
}

// ended waits for what was found, and goes to it.
let leaving = false;
async function ended(check) {
  if (leaving) return;
  leaving = true;
  const number = check.slice(check.lastIndexOf("/") + 1);
  announce("The check has ended.");
  for (let i = 0; i < 100; i++) {
    const answer = await ask("GET", api + "/checks/" + encodeURIComponent(number));
    if (ok(answer) || answer.status === 403) break; // who may not read the journal is told so by the page
    await new Promise((done) => setTimeout(done, 100));
  }
  location.replace(here + "?ended=" + encodeURIComponent(number));
}

function wrong(answer) {
  el("wrong").hidden = !answer;
  say(el("wrong"), answer ? sentence(answer) : "");
}

async function act(what) {
  if (busy || !may) return false;
  busy = true;
  const answer = await ask("POST", api + "/check/act", what);
  busy = false;
  if (!ok(answer)) {
    wrong(answer);
    look();
    return false;
  }
  wrong(null);
  show(answer);
  return true;
}

let lost = 0, looking = false, soon = 0;
async function look() {
  if (leaving || looking) return;
  looking = true;
  try { await lookNow(); } finally { looking = false; }
}

// lookSoon looks after a reading, which may have been what the check waits for.
function lookSoon() {
  soon ||= setTimeout(() => { soon = 0; look(); }, SOON);
}

async function lookNow() {
  const answer = await ask("GET", api + "/check", undefined, { "X-Weighpost-Page": "looks" });
  if (busy || leaving) return;
  if (ok(answer)) { lost = 0; return show(answer); }
  if (answer.status === 404 && ++lost > 1) ended(box.dataset.runs);
}

function answer(yes) {
  if (!asks() || Date.now() - askedAt < CALM) return;
  askedAt = Date.now();
  act(now.waiting === "confirm" ? { right: yes } : { answer: yes ? "yes" : "no" });
}

// formFor sends a reason: one at hand, or one that is typed.
function formFor(name, what) {
  const form = el(name + "-form");
  if (!form) return;
  const done = async (reason) => {
    if (!reason.trim()) return el(name + "-why").focus();
    if (!await act({ [what]: reason })) return;
    el(name + "-why").value = "";
    el(name).open = false;
    el("say").focus();
  };
  form.addEventListener("submit", (e) => { e.preventDefault(); e.stopPropagation(); done(el(name + "-why").value); });
  for (const b of form.querySelectorAll("[data-reason]")) b.addEventListener("click", () => done(b.dataset.reason));
}

// What a scanner types ends with Enter as well, and is no answer unless it is the card that says yes.
let typed = "", typedAt = 0;
const YES = "benchpostsure";
function keys(e) {
  if (e.target.closest?.("input, textarea, select, summary, a") || e.ctrlKey || e.altKey || e.metaKey) return;
  if (e.key.length === 1 && e.key !== " ") {
    typed = (Date.now() - typedAt > 1_000 ? "" : typed) + e.key;
    typedAt = Date.now();
    return;
  }
  if (e.key === "Enter" && typed && Date.now() - typedAt < 1_000) {
    const card = typed.toLowerCase().endsWith(YES);
    typed = "";
    e.preventDefault();
    return card ? answer(true) : undefined;
  }
  if (e.repeat || !asks()) return;
  if (e.key === "Enter") {
    if (e.target.closest?.("button")) return; // the button says itself what is meant
    e.preventDefault();
    if (now.waiting === "answer") answer(true); // a wrong weight is not waved through by the key that is pressed without looking
  } else if (e.key === "Escape") {
    e.preventDefault();
    answer(false);
  }
}

const writeOld = () => el("digits").parentElement.classList.add("old");

function live() {
  const places = { weight: el("digits").parentElement, digits: el("digits"), unit: el("unit"), rest: el("rest") };
  let seenAt = 0;
  follow({
    readings(list) {
      for (const l of list) {
        if (l.balance !== id || l.recorded || l.answer) continue;
        writeWeight(places, l);
        places.weight.classList.remove("old");
        say(el("when"), clock(l.utc));
        seenAt = Date.now();
        lookSoon();
        atRest = l.value?.stability === "stable";
      }
    },
    adrift(yes) { if (yes) announce("No connection to weighpost"); },
  }, "/live?balance=" + encodeURIComponent(id));
  setInterval(() => {
    if (seenAt && Date.now() - seenAt > OLD) { places.weight.classList.add("old"); atRest = false; }
    if (now) showPhase();
  }, 300);
}

if (box.dataset.runs) {
  el("yes")?.addEventListener("click", () => answer(true));
  el("no")?.addEventListener("click", () => answer(false));
  formFor("again", "repeat");
  formFor("end", "stop");
  document.addEventListener("keydown", keys);
  live();
  look();
  setInterval(() => { if (!document.hidden) look(); }, PACE);
} else if (box.dataset.waits) {
  ended(id + "/" + box.dataset.waits);
} else {
  el("say")?.focus();
}
