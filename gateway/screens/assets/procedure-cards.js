// A procedure as cards: what its form holds is put into fields, read out of them, and put into another order. What a card says is text,
// never markup.
import { announce, make, shape, say } from "./ask.js";

const steps = document.getElementById("steps");
const kindWords = new Map([...document.querySelectorAll("#add-do option")].map((o) => [o.value, o.textContent]));
const withValue = ["ask", "empty", "weigh", "compute", "environment"];

// ones are the cards of the steps, or the items of a table.
export const ones = (key) => [...(key === "steps" ? steps : table(key).querySelector(".list")).children];
const table = (key) => document.querySelector(`fieldset[data-items="${key}"]`);
const fieldOf = (root, leaf) => root.querySelector(`[data-leaf="${CSS.escape(leaf)}"]`);
export const said = (root, leaf) => fieldOf(root, leaf)?.value.trim() ?? "";

function valueOf(e) {
  const text = e.value.trim();
  switch (e.dataset.type) {
    case "tick": return e.checked || undefined;
    case "lines": return list(e.value);
    case "long": return text.replace(/\s*\n\s*/g, " ") || undefined;
    case "number": return text === "" ? undefined : /^[0-9]{1,9}$/.test(text) ? Number(text) : text;
  }
  return text || undefined;
}
function list(text) {
  const lines = text.split("\n").map((x) => x.trim()).filter(Boolean);
  return lines.length ? lines : undefined;
}

// readFields gives what the fields of a card say, as the definition has it.
function readFields(root) {
  const item = {};
  for (const e of root.querySelectorAll("[data-leaf]")) {
    const value = valueOf(e);
    if (value === undefined) continue;
    if (e.dataset.leaf === "") return value;
    const keys = e.dataset.leaf.split(".");
    const last = keys.pop();
    keys.reduce((o, key) => (o[key] ??= {}), item)[last] = value;
  }
  return item;
}

// read gives the whole form. A balance without a name is one all the same, so that its mistake is told.
export function read() {
  const form = readFields(document.getElementById("whole"));
  for (const key of ["parameters", "blocks", "results", "steps"]) {
    const all = ones(key).map(readFields).filter((v) => key !== "results" || typeof v === "string");
    if (all.length) form[key] = all;
  }
  const balances = ones("balances");
  if (balances.length) form.balances = Object.fromEntries(balances.map((one) => [one.querySelector("[data-name]").value.trim(), readFields(one)]));
  return form;
}

function fillFields(root, item) {
  for (const e of root.querySelectorAll("[data-leaf]")) {
    const value = e.dataset.leaf === "" ? item : e.dataset.leaf.split(".").reduce((o, key) => o?.[key], item);
    if (e.dataset.type === "tick") e.checked = value === true;
    else write(e, Array.isArray(value) ? value.join("\n") : value === undefined ? "" : String(value));
  }
}

// write puts a text into a field. A choice that has no such word has it from then on: nothing is lost that somebody wrote.
function write(e, text) {
  if (e.matches("select") && ![...e.options].some((o) => o.value === text)) e.append(new Option(text === "" ? "none" : text, text));
  e.value = text;
}

// fill makes all cards of a form anew.
export function fill(form) {
  fillFields(document.getElementById("whole"), form);
  for (const key of ["parameters", "blocks", "results"]) {
    table(key).querySelector(".list").replaceChildren();
    for (const item of form[key] ?? []) addTo(key, item);
  }
  table("balances").querySelector(".list").replaceChildren();
  for (const [name, item] of Object.entries(form.balances ?? {})) addTo("balances", item).querySelector("[data-name]").value = name;
  steps.replaceChildren(...(form.steps ?? []).map(card));
  arrange();
}

// addTo puts one more into a table.
export function addTo(key, item = {}) {
  const one = table(key).querySelector("template").content.firstElementChild.cloneNode(true);
  table(key).querySelector(".list").append(one);
  fillFields(one, item);
  describe(one);
  unfold(one);
  return one;
}

// unfold opens what is folded away and has something in it.
function unfold(one) {
  for (const group of one.querySelectorAll("details.group")) group.open = [...group.querySelectorAll("[data-leaf]")].some((e) => e.value !== "");
}

let described = 0;

// describe ties the help under each field to it, so that it is heard with it.
function describe(root) {
  for (const field of root.querySelectorAll(".field")) {
    const hint = field.querySelector(".hint");
    const e = field.querySelector("input, select, textarea");
    if (!hint || !e) continue;
    hint.id = "hint-" + ++described;
    e.setAttribute("aria-describedby", hint.id);
  }
}
describe(document.getElementById("whole"));

// card makes the card of a step.
export function card(item) {
  const one = document.getElementById("step-template").content.firstElementChild.cloneNode(true);
  fillFields(one, item);
  describe(one);
  fit(one);
  unfold(one);
  return one;
}

// fit shows what a step of the card's kind has, and what is written there all the same.
export function fit(one) {
  const does = said(one, "do");
  const has = (e) => !e.dataset.for || e.dataset.for.split(" ").includes(does);
  const silent = (e) => (e.type === "checkbox" ? !e.checked : e.value.trim() === ""); // a tick has a value whether it is set or not
  for (const field of one.querySelectorAll(".field")) field.hidden = !has(field) && silent(field.querySelector("[data-leaf]"));
  for (const option of one.querySelectorAll("option[data-for]")) option.hidden = option.disabled = !has(option) && !option.selected;
  for (const group of one.querySelectorAll("details.group")) group.hidden = ![...group.querySelectorAll(".field")].some((f) => !f.hidden);
}

// arrange numbers the cards, and draws the frames of the blocks around them.
export function arrange() {
  const all = ones("steps");
  const blocks = all.map((one) => said(one, "in"));
  all.forEach((one, i) => {
    const name = said(one, "step");
    const block = blocks[i];
    one.classList.toggle("in-block", block !== "");
    one.classList.toggle("first", block !== "" && blocks[i - 1] !== block);
    one.classList.toggle("last", block !== "" && blocks[i + 1] !== block);
    const frame = one.querySelector(".block-name");
    frame.hidden = block === "" || blocks[i - 1] === block;
    say(frame, "Block " + block);
    say(one.querySelector(".number"), String(i + 1));
    say(one.querySelector(".does"), kindWords.get(said(one, "do")) ?? said(one, "do"));
    say(one.querySelector(".name"), name);
    say(one.querySelector(".gist"), [said(one, "label"), said(one, "say"), said(one, "formula") || said(one, "if")].filter(Boolean).join(" · "));
    const tools = one.querySelector(".card-tools");
    const words = `Step ${i + 1}${name && ", " + name}`;
    tools.setAttribute("aria-label", words);
    for (const button of tools.children) button.setAttribute("aria-label", button.textContent + ": " + words);
  });
  document.getElementById("no-steps").hidden = all.length > 0;
  places(all);
}

// places are where a new step may be put: at the end, or after one that is there.
function places(all) {
  const where = document.getElementById("add-after");
  const now = where.value;
  where.replaceChildren(new Option("at the end", ""), new Option("before the first", "0"), ...all.slice(0, -1).map((one, i) => new Option(`after ${i + 1}, ${said(one, "step")}`, String(i + 1))));
  where.value = [...where.options].some((o) => o.value === now) ? now : "";
}

// standing says where a card is now.
export function standing(one) {
  const all = ones("steps");
  const block = said(one, "in");
  return `Step ${said(one, "step") || "without a name"} is now ${all.indexOf(one) + 1} of ${all.length}, ${block ? "in block " + block : "in no block"}.`;
}

// move moves a card by one place. At the edge of a block it goes out of it first, and into it first, so that a block stays in one piece.
// Its neighbour is what moves in the document: the keyboard stays where it is.
export function move(one, by) {
  const next = by < 0 ? one.previousElementSibling : one.nextElementSibling;
  const block = said(one, "in");
  const beside = next ? said(next, "in") : "";
  if (block !== "" && beside !== block) write(fieldOf(one, "in"), "");
  else if (block === "" && beside !== "") write(fieldOf(one, "in"), beside);
  else if (!next) return announce(`It is the ${by < 0 ? "first" : "last"} step already.`);
  else if (by < 0) one.after(next);
  else one.before(next);
  arrange();
  announce(standing(one));
  return true;
}

// drop puts a card before or after another. Between two of one block it belongs to it, and else to none.
export function drop(one, beside, after) {
  if (one === beside) return;
  if (after) beside.after(one);
  else beside.before(one);
  const [before, behind] = [one.previousElementSibling, one.nextElementSibling].map((e) => (e ? said(e, "in") : ""));
  write(fieldOf(one, "in"), before === behind ? before : "");
  arrange();
  announce(standing(one));
}

// free gives a name that no step has yet.
export function free(name) {
  const taken = new Set(ones("steps").map((one) => said(one, "step")));
  let n = 2;
  const stem = name.replace(/_[0-9]+$/, "");
  let found = taken.has(name) ? stem + "_2" : name;
  while (taken.has(found)) found = stem + "_" + ++n;
  return found;
}

// add puts a new step where the form says, in the block that is on both sides of it.
export function add(item, at) {
  const all = ones("steps");
  const one = card(item);
  const before = all[at - 1];
  if (at === undefined || at >= all.length) steps.append(one);
  else steps.insertBefore(one, all[at]);
  const block = before ? said(before, "in") : "";
  if (!item.in && block !== "" && all[at] && said(all[at], "in") === block) write(fieldOf(one, "in"), block);
  arrange();
  return one;
}

export const copyOf = (one) => ({ ...readFields(one), step: free(said(one, "step")) });

const namesOf = {
  blocks: () => ones("blocks").map((one) => said(one, "name")),
  balances: () => ones("balances").map((one) => one.querySelector("[data-name]").value.trim()),
  steps: () => [...ones("steps").map((one) => said(one, "step")), "end"],
  values: () => ones("steps").filter((one) => withValue.includes(said(one, "do"))).map((one) => said(one, "step")),
};

// offer fills a choice of the procedure's own names when somebody comes to it.
export function offer(select) {
  const now = select.value;
  const names = namesOf[select.dataset.choices]().filter(Boolean);
  select.replaceChildren(new Option("none", ""), ...names.map((name) => new Option(name, name)));
  write(select, now);
}

// offerNames lists the names that a formula may use: the parameters, and the values of the steps up to its own.
export function offerNames(details) {
  const own = details.closest(".step-card");
  const all = ones("steps");
  const known = all.slice(0, own ? all.indexOf(own) + 1 : all.length).filter((one) => withValue.includes(said(one, "do"))).map((one) => said(one, "step"));
  const names = [...ones("parameters").map((one) => said(one, "name")), ...known].filter(Boolean);
  details.querySelector(".name-list").replaceChildren(...(names.length ? names.map((name) => {
    const button = make("button", "plain", name);
    button.type = "button";
    button.dataset.insert = name;
    return button;
  }) : [make("p", "hint", "None yet: parameters, and steps before this one that have a value.")]));
}

// insert writes a name where the cursor of a formula is.
export function insert(button) {
  const e = button.closest(".field").querySelector("[data-leaf]");
  e.setRangeText(button.dataset.insert, e.selectionStart, e.selectionEnd, "end");
  e.focus();
  e.dispatchEvent(new Event("input", { bubbles: true }));
}

// place finds what a mistake is about: a field, what it is in, and how people call it.
export function place(where) {
  const path = where.match(/[^.[\]]+/g) ?? [];
  const field = (root) => {
    for (let n = path.length; n > 0; n--) {
      const e = fieldOf(root, path.slice(0, n).join("."));
      if (e) return e;
    }
  };
  const label = (e) => e?.closest("label")?.querySelector("span")?.textContent ?? "";
  const key = path[0];
  if (!["steps", "parameters", "balances", "blocks", "results"].includes(key)) {
    const e = field(document.getElementById("whole"));
    return { field: e, words: label(e) };
  }
  path.shift();
  const at = path.shift();
  const one = at === undefined ? undefined : key === "balances" ? ones(key).find((o) => o.querySelector("[data-name]").value.trim() === at) : ones(key)[at];
  const title = { parameters: "Parameter", balances: "Balance", blocks: "Block", results: "Result", steps: "Step" }[key];
  if (!one) return { field: key === "steps" ? document.getElementById("add-do") : table(key).querySelector("[data-add]"), words: key === "steps" ? "Steps" : table(key).querySelector("legend").textContent };
  const e = field(one) ?? (path.length ? undefined : one.querySelector("[data-leaf]"));
  const number = ones(key).indexOf(one) + 1;
  const name = said(one, "step") || said(one, "name") || (key === "balances" ? at : "");
  return { field: e, one, words: `${title} ${key === "balances" ? name : number + (name && ", " + name)}${e && path.length ? ": " + label(e) : ""}` };
}

// unmark takes away what was said of mistakes.
export function unmark() {
  for (const e of document.querySelectorAll("#card-view .wrong")) e.remove();
  for (const e of document.querySelectorAll("#card-view [aria-invalid]")) {
    e.removeAttribute("aria-invalid");
    e.removeAttribute("aria-errormessage");
  }
  for (const e of document.querySelectorAll(".card-state")) e.hidden = true;
}

let marked = 0;

// mark says a mistake at the field and the card that it is about.
export function mark(found, words) {
  if (found.field?.matches("[data-leaf]")) {
    const line = make("p", "wrong", words);
    line.id = "wrong-" + ++marked;
    found.field.setAttribute("aria-invalid", "true");
    found.field.setAttribute("aria-errormessage", line.id);
    found.field.closest(".field").hidden = false;
    found.field.closest(".field").append(line);
  }
  const state = found.one?.querySelector(".card-state");
  if (!state) return;
  state.hidden = false;
  state.replaceChildren(shape("error"), " Has a mistake");
}

// lead goes to where a mistake is, whatever is folded away around it.
export function lead(found) {
  const e = found.field ?? found.one?.querySelector("h3");
  if (!e) return;
  for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
  e.focus();
  e.scrollIntoView({ block: "center" });
}
