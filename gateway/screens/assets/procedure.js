// The form of a procedure: as cards, or as its text. Whichever was changed last is what counts; weighpost judges it as one types, and gives
// the other. What is not saved stays in this window's own store until it is saved or thrown away.
import { ask, ok, sentence, announce, make, say } from "./ask.js";
import { fill, read, fit, arrange, add, addTo, copyOf, drop, free, insert, lead, mark, move, offer, offerNames, ones, place, said, standing, unmark } from "./procedure-cards.js";

const form = document.getElementById("procedure");
const text = document.getElementById("text");
const reason = document.getElementById("reason");
const outcome = document.getElementById("outcome");
const asText = document.getElementById("as-text");
const asCards = document.getElementById("as-cards");
const key = "weighpost procedure " + location.pathname + location.search;
const pause = 500; // ms after the last letter until it is judged

let source = form.dataset.text === "" ? "form" : "text"; // which of the two counts
let cardsAreOld = false; // the text was changed since the cards were made of it
let touched = false;
let leaving = false;

const wanted = () => (source === "text" ? { text: text.value } : { form: read() });

// The draft, which no accident takes.
function keep() {
  if (leaving || !touched) return;
  try { sessionStorage.setItem(key, JSON.stringify({ source, text: text.value, form: cardsAreOld ? undefined : read(), reason: reason.value })); } catch { announce("This browser keeps no draft: save before you leave."); }
}
function kept() {
  try { return JSON.parse(sessionStorage.getItem(key)) ?? undefined; } catch { return undefined; }
}
function forget() {
  leaving = true;
  try { sessionStorage.removeItem(key); } catch { /* there is none */ }
}
addEventListener("pagehide", keep);

// Judging: one question at a time, and the latest answer counts.
let timer = 0;
let asked = 0;
function soon() {
  touched = true;
  form.dataset.judged = "no";
  clearTimeout(timer);
  timer = setTimeout(judge, pause);
}

async function judge() {
  clearTimeout(timer);
  keep();
  const number = ++asked;
  const answer = await ask("POST", "/api/v1/procedures/judge", wanted());
  if (number !== asked) return undefined;
  if (!ok(answer)) {
    say(document.getElementById("judged"), "It could not be looked over: " + sentence(answer));
    return undefined;
  }
  if (source === "form") text.value = answer.text;
  shown(answer.faults);
  form.dataset.judged = "yes";
  return answer;
}

const worded = (fault) => capital(fault.what) + (fault.allowed ? ` (allowed: ${fault.allowed})` : "");
const capital = (s) => s.charAt(0).toUpperCase() + s.slice(1);

// shown lists the mistakes, each leading to where it is, and says them there.
function shown(faults) {
  unmark();
  const list = document.getElementById("fault-list");
  list.replaceChildren(...faults.map((fault) => {
    const found = place(fault.where ?? "");
    if (!cardsAreOld) mark(found, worded(fault));
    const link = make("button", "link", (found.words || "The whole") + ": " + worded(fault));
    link.type = "button";
    link.addEventListener("click", () => (text.closest("[hidden]") ? lead(place(fault.where ?? "")) : toLine(fault)));
    return make("li", "", "", link);
  }));
  list.hidden = faults.length === 0;
  say(document.getElementById("judged"), faults.length === 0 ? "None: it can be saved." : faults.length === 1 ? "1 mistake. It cannot be saved yet." : faults.length + " mistakes. It cannot be saved yet.");
}

function toLine(fault) {
  const lines = text.value.split("\n");
  const at = lines.slice(0, Math.max(0, (fault.line ?? 1) - 1)).join("\n").length + (fault.line > 1 ? 1 : 0);
  text.focus();
  text.setSelectionRange(at, at + (lines[(fault.line ?? 1) - 1] ?? "").length);
}

function view(cards) {
  document.getElementById("card-view").hidden = !cards;
  document.getElementById("text-view").hidden = cards;
  asCards.setAttribute("aria-pressed", String(cards));
  asText.setAttribute("aria-pressed", String(!cards));
  asCards.classList.toggle("plain", !cards);
  asText.classList.toggle("plain", cards);
}

asText.addEventListener("click", async () => {
  if (source === "form") await judge();
  view(false);
});

// To the cards: only where they hold all that the text says. What no card can hold is a mistake that the cards alone would not have.
asCards.addEventListener("click", async () => {
  if (!cardsAreOld) return view(true);
  const judged = await judge();
  if (!judged) return;
  const back = await ask("POST", "/api/v1/procedures/judge", { form: judged.form ?? {} });
  if (!ok(back)) return told("It cannot be shown as cards now.", sentence(back));
  const lost = judged.faults.filter((f) => !back.faults.some((b) => b.where === f.where && b.what === f.what));
  if (lost.length) {
    const first = lost[0];
    return told("The text has parts that no card can hold. Mend them first: nothing of it is lost.", `${first.line ? `Line ${first.line}: ` : ""}${worded(first)}`);
  }
  cardsAreOld = false;
  fill(judged.form ?? {});
  shown(judged.faults);
  quiet();
  view(true);
});

function quiet() {
  outcome.hidden = true;
  outcome.replaceChildren();
}
function told(title, detail) {
  outcome.hidden = false;
  outcome.replaceChildren(make("p", "told", title + (detail ? " " + detail : "")));
  outcome.firstChild.setAttribute("role", "alert");
  outcome.focus();
}

// What is typed.
form.addEventListener("input", (e) => {
  quiet();
  if (e.target === reason) {
    touched = true;
    return keep();
  }
  if (e.target === text) {
    source = "text";
    cardsAreOld = true;
    return soon();
  }
  if (!e.target.matches("[data-leaf], [data-name]")) return;
  const one = e.target.closest(".step-card");
  if (one && e.target.dataset.leaf === "do") fit(one);
  if (one) arrange();
  changed();
});
function changed() {
  source = "form";
  soon();
}

form.addEventListener("focusin", (e) => { if (e.target.dataset.choices) offer(e.target); });
form.addEventListener("toggle", (e) => { if (e.target.open && e.target.matches("details.names")) offerNames(e.target); }, true);

const about = document.getElementById("add-about");
const kind = document.getElementById("add-do");
const aboutKind = () => say(about, kind.selectedOptions[0]?.dataset.says ?? "");
kind.addEventListener("change", aboutKind);
aboutKind();

function opened(one) {
  one.querySelector(".card-body").open = true;
  fieldIn(one).focus();
}
const fieldIn = (one) => one.querySelector('[data-leaf="step"]') ?? one.querySelector("[data-name], [data-leaf]");

document.getElementById("add-step").addEventListener("click", () => {
  const at = document.getElementById("add-after").value;
  const one = add({ do: kind.value, step: free({ identify: "sample", weigh: "gross", tare: "zero" }[kind.value] ?? kind.value) }, at === "" ? undefined : Number(at));
  opened(one);
  announce("Added. " + standing(one));
  changed();
});

form.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (!button) return;
  const { move: by, insert: name } = button.dataset;
  const one = button.closest("[data-one]");
  if (name !== undefined) return insert(button);
  if (by !== undefined && move(one, Number(by))) return changed();
  if (button.dataset.add !== undefined) {
    fieldIn(addTo(button.closest("[data-items]").dataset.items)).focus();
    return changed();
  }
  if (button.dataset.copy !== undefined) {
    const copy = add(copyOf(one), ones("steps").indexOf(one) + 1);
    opened(copy);
    announce("Duplicated. " + standing(copy));
    return changed();
  }
  if (button.dataset.drop !== undefined) gone(one);
});

function gone(one) {
  const list = one.closest("[data-items]");
  const next = one.nextElementSibling ?? one.previousElementSibling;
  const name = said(one, "step");
  one.remove();
  arrange();
  (next?.querySelector("[data-drop]") ?? list.querySelector("[data-add]") ?? document.getElementById("add-step")).focus();
  announce(`${name ? "Step " + name : "It"} is removed. It is not saved yet.`);
  changed();
}

form.addEventListener("keydown", (e) => {
  const one = e.target.closest(".step-card");
  if (!one || !e.altKey || !["ArrowUp", "ArrowDown"].includes(e.key)) return;
  e.preventDefault();
  if (move(one, e.key === "ArrowUp" ? -1 : 1)) changed();
});

// Dragging by the number, for whoever has a mouse: nothing needs it.
let dragged;
form.addEventListener("dragstart", (e) => { dragged = e.target.closest?.(".step-card"); });
form.addEventListener("dragover", (e) => { if (dragged && e.target.closest(".step-card")) e.preventDefault(); });
form.addEventListener("dragend", () => { dragged = undefined; });
form.addEventListener("drop", (e) => {
  const beside = e.target.closest(".step-card");
  if (!dragged || !beside) return;
  e.preventDefault();
  const box = beside.getBoundingClientRect();
  drop(dragged, beside, e.clientY > box.top + box.height / 2);
  changed();
});

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  if (form.dataset.busy !== undefined) return;
  if (reason.value.trim() === "") {
    told("Say what is new, and why: that stays in the journal.");
    return reason.focus();
  }
  form.dataset.busy = "";
  keep();
  const answer = await ask("POST", "/api/v1/procedures", { ...wanted(), reason: reason.value.trim() });
  delete form.dataset.busy;
  if (ok(answer)) {
    forget();
    return location.assign(`/procedures/${encodeURIComponent(answer.name)}?version=${answer.version}`);
  }
  if (answer.errors?.length) shown(answer.errors.map((x) => ({ where: (x.location ?? "").replace(/^body\.?/, ""), what: x.message })));
  told("It is not saved, and nothing of it is lost.", sentence(answer));
});

document.getElementById("anew").addEventListener("click", () => {
  forget();
  location.reload();
});

// The beginning: what the page came with, or what was begun here before.
const draft = kept();
text.value = draft?.text ?? form.dataset.text;
if (draft) {
  source = draft.source;
  reason.value = draft.reason ?? "";
  document.getElementById("begun").hidden = false;
  touched = true;
}
cardsAreOld = draft !== undefined && draft.form === undefined;
fill(draft?.form ?? JSON.parse(form.dataset.form) ?? {});
view(!cardsAreOld);
judge().then(() => { form.dataset.ready = ""; });
