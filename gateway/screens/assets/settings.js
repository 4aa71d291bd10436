// A form of settings: it reads what its fields say, has weighpost try it, shows what would differ, and then has it done.
//
// What the form does not change stays as the settings have it: only what differs from what the page came with is put onto it.
import { ask, ok, sentence, announce, make, say } from "./ask.js";

const form = document.getElementById("settings");
const outcome = document.getElementById("outcome");
let held = JSON.parse(form.dataset.held) ?? {};
let tag = form.dataset.tag;
let item = form.dataset.item && JSON.parse(form.dataset.item);
const within = form.querySelector("fieldset.whole");

const isObject = (v) => v !== null && typeof v === "object" && !Array.isArray(v);
const same = (a, b) => JSON.stringify(sorted(a)) === JSON.stringify(sorted(b));
function sorted(v) {
  if (Array.isArray(v)) return v.map(sorted);
  return isObject(v) ? Object.fromEntries(Object.keys(v).sort().map((k) => [k, sorted(v[k])])) : v;
}

// Control characters are typed as \r, \n, \t or \x02, a backslash as two.
function unescape(text) {
  return text.replace(/\\(x[0-9a-fA-F]{2}|u[0-9a-fA-F]{4}|.)/g, (_, c) => {
    if (c.length > 1) return String.fromCharCode(parseInt(c.slice(1), 16));
    return { r: "\r", n: "\n", t: "\t", f: "\f", v: "\v", a: "\x07", b: "\b" }[c] ?? c;
  });
}

// What a field says: now, or as the page came, whatever was typed before this script ran or was put back by the browser.
let asCame = false;
const ticked = (e) => (asCame ? e.defaultChecked : e.checked);
function said(e) {
  if (!asCame) return e.value;
  return e.matches("select") ? ([...e.options].find((o) => o.defaultSelected) ?? e.options[0]).value : e.defaultValue;
}
function cameAs(root) {
  asCame = true;
  try { return read(root); } finally { asCame = false; }
}

const text = (e) => (e.dataset.escaped === undefined ? said(e) : unescape(said(e)));

// valueOf is what a field says; undefined: nothing is written.
function valueOf(e) {
  switch (e.dataset.type) {
    case "tick": return ticked(e);
    case "ticks": {
      const list = [...e.querySelectorAll("input")].filter(ticked).map((x) => x.value);
      return list.length || e.dataset.loose === undefined ? list : undefined;
    }
    case "lines": {
      const list = said(e).split("\n").filter((x) => x !== "").map((x) => (e.dataset.escaped === undefined ? x.trim() : unescape(x)));
      return list.length ? list.map(numberIn(e)) : undefined;
    }
    case "number": return said(e).trim() === "" ? undefined : whole(said(e).trim());
  }
  return said(e) === "" ? undefined : text(e);
}
const whole = (s) => (/^-?[0-9]{1,15}$/.test(s) ? Number(s) : s);
const numberIn = (e) => (s) => (e.dataset.at === "weight.decimals" ? whole(s) : s);

// read gives what a part of the form says, down to the parts that are lists.
function read(root) {
  const o = {};
  for (const e of parts(root)) {
    const { leaf, group, items, capture } = e.dataset;
    if (leaf !== undefined) put(o, leaf, valueOf(e));
    if (group !== undefined) put(o, group, filled(read(e)));
    if (items !== undefined) put(o, items, readItems(e));
    if (capture !== undefined) put(o, capture, readCapture(e));
  }
  return o;
}
const put = (o, key, v) => { if (v !== undefined) o[key] = v; };
const filled = (o) => (Object.keys(o).length ? o : undefined);

// parts are the fields, groups and lists of a part of the form that are not in another one's.
function parts(root) {
  const what = "[data-leaf],[data-group],[data-items],[data-capture]";
  return [...root.querySelectorAll(what)].filter((e) => {
    for (let p = e.parentElement; p !== root; p = p.parentElement) if (p.matches(what + ",[data-one]")) return false;
    return true;
  });
}

const ones = (e) => [...e.querySelector(".list").children];

function readItems(e) {
  const list = ones(e).map((one) => {
    const o = read(one);
    return o[""] !== undefined && Object.keys(o).length === 1 ? o[""] : o;
  });
  if (e.dataset.map === undefined) return list.length ? list : undefined;
  return filled(Object.fromEntries(ones(e).map((one, i) => [text(one.querySelector("[data-name]")), isObject(list[i]) && !Object.keys(list[i]).length && one.querySelector('[data-leaf=""]') ? "" : list[i]])));
}

function readCapture(e) {
  const choice = said(e.querySelector("[data-choice]"));
  if (!choice.startsWith("{")) return choice;
  const key = choice.slice(1, -1);
  const o = read(e.querySelector('[data-when="' + key + '"]'));
  return { [key]: o[key] ?? (key === "every" ? "" : {}) };
}

// merge puts onto what is held what differs between what the form said first and what it says now.
function merge(old, before, now) {
  if (same(before, now)) return old;
  if (!isObject(now) || (before !== undefined && !isObject(before))) return now;
  const out = isObject(old) ? { ...old } : {};
  for (const key of new Set([...Object.keys(before ?? {}), ...Object.keys(now)])) {
    if (same(before?.[key], now[key])) continue;
    const v = merge(out[key], before?.[key], now[key]);
    if (v === undefined) delete out[key];
    else out[key] = v;
  }
  return Object.keys(out).length ? out : undefined;
}

// patchOf is a merge patch (RFC 7396) from one value to another.
function patchOf(from, to) {
  if (!isObject(from) || !isObject(to)) return to === undefined ? null : to;
  const o = {};
  for (const key of new Set([...Object.keys(from), ...Object.keys(to)])) if (!same(from[key], to[key])) o[key] = to[key] === undefined ? null : patchOf(from[key], to[key]);
  return o;
}

let first = cameAs(within);
const idField = document.getElementById("new-id");
const idKey = form.dataset.idKey; // id, or what a check is told apart by
const path = () => form.dataset.path + (idField ? encodeURIComponent(idField.value.trim()) : "");
const wanted = () => merge(held, first, read(within)) ?? {};

function bodyOf(dry) {
  const reason = document.getElementById("reason").value.trim();
  const body = { reason: reason || "only tried", ...(dry && { dry_run: true }) };
  if (form.dataset.method === "PATCH") body.change = patchOf({ [form.dataset.wrap]: held }, { [form.dataset.wrap]: wanted() });
  else if (item) Object.assign(body, { settings: item, layout: wanted() }, dry && { frames: JSON.parse(form.dataset.frames) ?? [] });
  else body.settings = wanted();
  if (form.dataset.method === "PATCH" && same(held, wanted())) body.change = {};
  return body;
}

// found is the field that a path of a mistake is about.
function found(where) {
  let root = within;
  for (const step of where.match(/[^.[\]]+/g) ?? []) {
    const all = parts(root);
    const next = all.find((e) => step === (e.dataset.leaf ?? e.dataset.group ?? e.dataset.items ?? e.dataset.capture));
    if (next) { root = next; continue; }
    const one = root.dataset?.items === undefined ? undefined : root.dataset.map === undefined ? ones(root)[step] : ones(root).find((e) => text(e.querySelector("[data-name]")) === step);
    if (one) { root = one; continue; }
    break;
  }
  if (root === within) return undefined;
  return root.matches("input,select,textarea") ? root : root.querySelector("input,select,textarea") ?? root.querySelector("button");
}

let numbered = 0;
function mistakes(list) {
  let at;
  const rest = [];
  for (const m of list) {
    const mine = m.path.startsWith(form.dataset.prefix);
    const key = m.path.slice(form.dataset.prefix.length);
    const field = mine ? (key === idKey && idField) || found(key) : m.path === form.dataset.prefix.replace(/\.$/, "") && idField ? idField : undefined;
    const said = m.what + (m.allowed ? ". Right would be: " + m.allowed : "") + ".";
    if (!field) { rest.push((m.path ? m.path + ": " : "") + said); continue; }
    const line = make("p", "wrong", said.charAt(0).toUpperCase() + said.slice(1));
    line.dataset.made = "";
    line.id = "wrong-" + ++numbered;
    field.setAttribute("aria-invalid", "true");
    field.dataset.described ??= field.getAttribute("aria-describedby") ?? "";
    field.setAttribute("aria-describedby", (line.id + " " + field.dataset.described).trim());
    (field.closest("label") ?? field).after(line);
    for (let d = field.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
    at ??= field;
  }
  const n = list.length;
  tell(n === 1 ? "There is one mistake, and nothing was changed." : "There are " + n + " mistakes, and nothing was changed.", rest);
  (at ?? outcome).focus();
}

function quiet() {
  for (const e of form.querySelectorAll(".wrong[data-made]")) e.remove();
  for (const e of form.querySelectorAll("[aria-invalid]")) {
    e.removeAttribute("aria-invalid");
    if (e.dataset.described) e.setAttribute("aria-describedby", e.dataset.described);
    else e.removeAttribute("aria-describedby");
  }
  outcome.replaceChildren();
  outcome.hidden = true;
}

function tell(words, more = []) {
  const told = make("p", "told", words);
  told.setAttribute("role", "alert");
  outcome.replaceChildren(told, ...more.map((m) => make("p", "wrong", m)));
  outcome.hidden = false;
}

function table(list, heads = ["Setting", "Before", "After"]) {
  const t = make("table", "differences", "", make("caption", "heard-only", "What the change does"), make("thead", "", "", make("tr", "", "", ...heads.map((h) => { const th = make("th", "", h); th.scope = "col"; return th; }))));
  const body = make("tbody");
  for (const d of list) {
    const th = make("th", "", "", make("code", "", d.path));
    th.scope = "row";
    body.append(make("tr", "", "", th, ...[d.from, d.to].map((v) => make("td", "", v ? "" : "not written", ...(v ? [make("pre", "", v)] : [])))));
  }
  t.append(body);
  return make("div", "scroll", "", t);
}

function difference(answer) {
  const heading = make("h2", "", "What would be different");
  const parts = [heading, answer.differences.length ? table(answer.differences) : "", make("ul", "sentences", "", ...answer.changes.map((c) => make("li", "", c)))];
  if (answer.note) parts.push(make("p", "note", answer.note));
  if (answer.read?.length) showLines(answer.read);
  const save = make("button", "", answer.pending ? "Propose this" : "Save this");
  save.type = "button";
  save.id = "save";
  save.addEventListener("click", () => change(save));
  parts.push(make("div", "tools", "", save));
  outcome.replaceChildren(...parts.filter(Boolean));
  outcome.hidden = false;
  outcome.focus();
  announce("Difference shown: " + answer.changes.length + (answer.changes.length === 1 ? " change." : " changes."));
}

// showLines shows the balance's lines by the layout that is only tried.
function showLines(read) {
  const lines = document.getElementById("lines");
  if (!lines) return;
  lines.replaceChildren(...read.map((r) => {
    const bytes = Uint8Array.from(atob(r.frame), (c) => c.charCodeAt(0));
    const cells = make("p", "cells");
    let at = 0;
    const cell = (name, from, to) => { if (to > from) cells.append(make("span", "cell" + (name ? " named" : ""), "", make("code", "", visible(bytes.slice(from, to))), make("span", "of", name))); };
    for (const p of [...r.pieces].sort((a, b) => a.from - b.from)) {
      if (p.from < at) continue;
      cell("", at, p.from);
      cell(p.name, p.from, p.to);
      at = p.to;
    }
    cell("", at, bytes.length);
    return make("div", "line", "", cells, ...(r.why ? [make("p", "wrong", "Does not fit: " + r.why.charAt(0).toUpperCase() + r.why.slice(1))] : []));
  }));
  say(document.getElementById("lines-head"), "Its lines, as the layout that was only tried reads them");
}
const controls = "NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US".split(" ");
const visible = (bytes) => [...bytes].map((c) => (c < 0x20 ? "<" + controls[c] + ">" : c >= 0x7f ? "<" + c.toString(16).toUpperCase() + ">" : String.fromCharCode(c))).join("");

const send = (method, where, body) => ask(method, where, body, { "If-Match": '"' + tag + '"' });

async function once(button, what) {
  if (form.dataset.busy !== undefined) return;
  form.dataset.busy = "";
  button?.setAttribute("aria-disabled", "true");
  try { await what(); } finally {
    delete form.dataset.busy;
    button?.removeAttribute("aria-disabled");
  }
}

const refused = async (answer) => {
  if (answer.status === 412) return moved();
  if (answer.errors?.length) return mistakes(answer.errors.map((e) => ({ path: e.location, what: e.message })));
  tell(sentence(answer));
  outcome.focus();
};

form.addEventListener("submit", (e) => {
  e.preventDefault();
  once(e.submitter, async () => {
    quiet();
    if (idField && !idField.value.trim()) return mistakes([{ path: form.dataset.prefix.replace(/\.$/, ""), what: idKey === "id" ? "an id is needed" : "a name is needed" }]);
    const answer = await send(form.dataset.method, path(), bodyOf(true));
    if (!ok(answer)) return refused(answer);
    if (answer.outcome === "invalid") return mistakes(answer.mistakes);
    if (answer.outcome === "the-same") {
      outcome.replaceChildren(make("p", "done", "Nothing differs from what is set."));
      outcome.hidden = false;
      return outcome.focus();
    }
    difference(answer);
  });
});

const reasonMissing = (field) => {
  field.setAttribute("aria-invalid", "true");
  if (!field.parentElement.querySelector(".wrong")) {
    const line = make("p", "wrong", "Say why: it is recorded with the change.");
    line.dataset.made = "";
    field.after(line);
  }
  field.focus();
};

function change(button) {
  const reason = document.getElementById("reason");
  if (!reason.value.trim()) return reasonMissing(reason);
  once(button, async () => {
    const answer = await send(form.dataset.method, path(), bodyOf(false));
    if (!ok(answer)) return refused(answer);
    leaving = true;
    const here = idField && answer.outcome !== "waits" ? "/settings/" + form.dataset.list + "/" + encodeURIComponent(idField.value.trim()) : idField ? "/settings" : location.pathname;
    location.assign(here + "?done=" + (answer.outcome === "waits" ? "waits" : "holds"));
  });
}

document.getElementById("remove")?.addEventListener("click", (e) => {
  const reason = document.getElementById("gone-reason");
  if (!reason.value.trim()) return reasonMissing(reason);
  once(e.target, async () => {
    const answer = await send("DELETE", path() + "?reason=" + encodeURIComponent(reason.value.trim()));
    if (!ok(answer)) return refused(answer);
    leaving = true;
    location.assign("/settings?done=" + (answer.outcome === "waits" ? "waits" : "removed"));
  });
});

// What somebody else changed meanwhile is shown, and what was typed here stays. It is put onto what holds now.
async function moved() {
  const now = await ask("GET", "/api/v1/settings");
  if (!ok(now) || !now.etag) return tell(sentence(now));
  const part = form.dataset.list ? (now[form.dataset.list] ?? []).find((x) => x[idKey] === (idField ? idField.value.trim() : (item ?? held)[idKey])) : now[form.dataset.wrap];
  const before = item ?? held;
  const list = leaves(before, part ?? {}, "");
  tell("Somebody else has changed the settings since this page was made. What you have typed is still here.");
  if (part === undefined && form.dataset.list && !idField) {
    outcome.append(make("p", "wrong", "It was removed. Nothing can be changed here any more."));
    return outcome.focus();
  }
  outcome.append(list.length ? table(list, ["Setting", "When this page was made", "Now"]) : make("p", "", "What this form is about is as it was."));
  outcome.append(make("p", "note", "Show the difference again to see what yours would change now."));
  tag = now.etag.replace(/^W\//, "").replaceAll('"', "");
  if (item && list.some((d) => d.path === "layout")) {
    outcome.append(make("p", "wrong", "The layout itself is another one now: load this page again before you change it."));
    item = undefined;
    for (const b of form.querySelectorAll("fieldset.whole button")) b.disabled = true;
  }
  if (item) item = part;
  else if (!idField || part) rebase(part ?? {});
  outcome.focus();
}

function leaves(a, b, at) {
  if (same(a, b)) return [];
  if (isObject(a) && isObject(b)) return [...new Set([...Object.keys(a), ...Object.keys(b)])].sort().flatMap((k) => leaves(a[k], b[k], (at && at + ".") + k));
  const shown = (v) => (v === undefined ? "" : typeof v === "string" ? v : JSON.stringify(v));
  return [{ path: at, from: shown(a), to: shown(b) }];
}

// keepLists has lists, and what was taken out of them, count against what they were when the page came.
function keepLists(now, was) {
  for (const [key, old] of Object.entries(was)) {
    if (isObject(old) && isObject(now[key])) keepLists(now[key], old);
    else if (Array.isArray(old) || now[key] === undefined) now[key] = old;
  }
}

// rebase has the fields that nobody touched here say what holds now.
function rebase(now) {
  const touched = (e) => { asCame = true; const came = e.type === "checkbox" ? ticked(e) : said(e); asCame = false; return came !== (e.type === "checkbox" ? e.checked : e.value); };
  const at = (path) => path.split(".").reduce((o, k) => (isObject(o) ? o[k] : undefined), now);
  for (const e of within.querySelectorAll("input[data-leaf],select[data-leaf]")) {
    if (e.closest("[data-one]")) continue;
    if (touched(e)) continue;
    const v = at(e.dataset.at);
    if (e.type === "checkbox") { if (v !== undefined) e.checked = e.defaultChecked = v; continue; }
    if (e.dataset.escaped !== undefined && v !== undefined) continue;
    const text = v === undefined ? "" : String(v);
    if (e.matches("select")) { e.value = text; for (const o of e.options) o.defaultSelected = o.selected; } else e.value = e.defaultValue = text;
  }
  const untouched = cameAs(within);
  keepLists(untouched, first);
  held = now;
  first = untouched;
}

// Which keys a check has depends on what it measures: it says so, or the ready-made check that it uses does.
function fitCheck() {
  if (form.dataset.means === undefined) return;
  const measures = form.querySelector('[data-at="measures"]');
  const used = form.querySelector('[data-at="use"]').value;
  const kind = measures.value || JSON.parse(form.dataset.means)?.[used];
  measures.closest(".field").hidden = used !== "" && measures.value === "";
  for (const f of form.querySelectorAll("[data-fits]")) {
    const e = f.querySelector("[data-leaf]");
    const empty = e.type === "checkbox" ? !e.checked : e.value.trim() === "";
    f.hidden = kind !== undefined && kind !== "" && !f.dataset.fits.split(" ").includes(kind) && empty;
  }
}

// Which keys a port has depends on what kind it is.
function fit() {
  for (const address of form.querySelectorAll('input[data-leaf="address"]')) {
    const kind = (address.value.match(/^(tcp|rfc2217):/i) ?? ["", "serial"])[1].toLowerCase();
    for (const f of address.closest("[data-group]")?.querySelectorAll("[data-fits]") ?? []) { // the address of a printer is that of no port
      const e = f.querySelector("[data-leaf]");
      f.hidden = !f.dataset.fits.split(" ").includes(kind) && e.value === "";
    }
  }
  fitCheck();
  for (const c of form.querySelectorAll("[data-capture]")) {
    const choice = c.querySelector("[data-choice]").value;
    for (const w of c.querySelectorAll(":scope > [data-when]")) w.hidden = choice !== "{" + w.dataset.when + "}";
  }
}
fit();

form.addEventListener("click", (e) => {
  const add = e.target.closest("[data-add]");
  const drop = e.target.closest("[data-drop]");
  if (add) {
    const list = add.closest("[data-items]");
    const one = list.querySelector(":scope > template").content.firstElementChild.cloneNode(true);
    list.querySelector(".list").append(one);
    fit();
    one.querySelector("input,select,textarea")?.focus();
  }
  if (drop) {
    const list = drop.closest("[data-items]");
    drop.closest("[data-one]").remove();
    list.querySelector(":scope > [data-add]").focus();
    announce("Removed. It is not saved yet.");
  }
  if ((add || drop) && !outcome.hidden) quiet();
});

// What was shown is no longer what would be saved once something else is typed.
form.addEventListener("input", (e) => {
  fit();
  if (e.target.id !== "reason" && e.target.id !== "gone-reason" && document.getElementById("save")) quiet();
});

document.getElementById("undo")?.addEventListener("click", () => { leaving = true; location.reload(); });

let leaving = false;
addEventListener("beforeunload", (e) => {
  if (!leaving && !within.disabled && !same(first, read(within))) e.preventDefault();
});
form.dataset.ready = "";
