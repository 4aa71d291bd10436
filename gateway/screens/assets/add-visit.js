// One balance that is being added: what is asked, what was learnt, and each byte as it comes.
import { ask, ok, sentence, announce, make, say } from "./ask.js";

const visit = document.getElementById("visit");
const base = "/api/v1/setup/visits/" + encodeURIComponent(visit.dataset.visit);
const MOST_CHUNKS = 60;
const NAMED = ["port", "take-settings", "layout"]; // questions whose answers are names, which are shown
const PROPOSES = [...NAMED, "settings", "record"];
const el = (id) => document.getElementById(id);
let known = Number(visit.dataset.event); // said up to here stands on the page already
let mine = false; // the next question comes because of an answer given here: the keyboard goes there

function button(text, value, small, proposed) {
  const b = make("button", "");
  b.type = "submit";
  if (value !== undefined) b.value = value;
  b.append(make("b", "", text));
  if (small && small !== text) b.append(" ", make("small", "", small));
  if (proposed) b.append(" ", make("small", "proposed", "proposed"));
  return b;
}

function field(id, label, value) {
  const p = make("p", "field");
  const input = document.createElement("input");
  Object.assign(input, { id, type: "text", maxLength: 500, value, spellcheck: false, autocapitalize: "none" });
  if (label) {
    const l = make("label", "", label);
    l.htmlFor = id;
    p.append(l);
  } else {
    input.setAttribute("aria-labelledby", "question");
  }
  p.append(input);
  return p;
}

const plain = { text: "Go on", enough: "That is enough", ready: "It is on, and settled" };

function question(q) {
  const form = make("form", "question");
  form.id = "answer";
  form.autocomplete = "off";
  form.dataset.number = q.number;
  form.dataset.kind = q.kind;
  form.append(heading(q.text));
  if (q.why) form.append(make("p", "why", q.why));
  if (q.kind === "text") form.append(field("text", "", q.default && q.default !== "-" ? q.default : ""));
  if (q.reason) form.append(field("reason", "Why is it added? Goes into the journal.", ""));
  const choices = make("p", "choices");
  if (plain[q.kind]) choices.append(button(plain[q.kind]));
  if (q.kind === "wait") choices.append(make("span", "waits", "Waiting for the balance …"));
  for (const c of q.choices) choices.append(button(c.text, c.value, NAMED.includes(q.key) ? c.value : "", PROPOSES.includes(q.key) && c.value === q.default));
  form.append(choices);
  if (q.back) {
    const p = make("p", "back");
    const b = make("button", "plain", q.key === "port" ? "Look for ports again" : "One step back");
    b.type = "button";
    b.id = "back";
    p.append(b);
    form.append(p);
  }
  return form;
}

function heading(text) {
  const h = make("h2", "", text);
  h.id = "question";
  h.tabIndex = -1;
  return h;
}

function link(href, text, kind = "") {
  const a = make("a", kind, text);
  a.href = href;
  return a;
}

function ended(v) {
  const acts = make("p", "acts");
  const id = v.result && encodeURIComponent(v.result.balance);
  const parts = [];
  if (v.state === "finished") {
    parts.push(heading("Balance " + v.result.balance + " is added"), make("p", "", "It is read from now on, and what it prints is recorded."));
    acts.append(link("/balances/" + id, "See what it shows", "button"), link("/balances/" + id + "/label", "Print its label"), link("/settings/balances/" + id, "Say what scans mean there"), link("/add", "Add another"));
  } else if (v.state === "waits") {
    parts.push(heading("Balance " + v.result.balance + " waits for adoption"), make("p", "", "Policy says that another person adopts such a change. Until then the balance is not read."));
    acts.append(link("/settings/waiting", "See the change that waits", "button"), link("/add", "Add another"));
  } else {
    parts.push(heading(v.state === "failed" ? "This did not work" : "Ended without a balance"), make("p", "told", v.why));
    acts.append(link("/add", "Begin again", "button"), link("/manual/adding", "What may be the reason"));
  }
  const notes = make("ul", "");
  for (const n of v.result?.notes || []) notes.append(make("li", "", n));
  return notes.children.length ? [...parts, acts, notes] : [...parts, acts];
}

function lines(l) {
  const parts = [make("p", "", (l.learnt ? "The layout that was learnt reads " : "The layout reads ") + l.fits + " of " + l.of + " lines.")];
  for (const one of l.lines) {
    const figure = make("figure", "line");
    figure.append(make("figcaption", "", "Line " + one.number + (one.reads ? ": reads as " + one.reads : "") + (one.why ? ": does not read. " + one.why : "")));
    const row = make("p", "pieces");
    for (const p of one.pieces.length ? one.pieces : [{ text: one.text }]) {
      const piece = make("span", p.what ? "piece named" : "piece");
      piece.append(make("span", "chars", p.text));
      if (p.what) piece.append(make("span", "what", p.what));
      row.append(piece);
    }
    figure.append(row);
    parts.push(figure);
  }
  if (l.doubts.length) {
    const list = make("ul", "");
    for (const d of l.doubts) list.append(make("li", "", d));
    parts.push(make("h3", "", "What the lines do not settle"), list);
  }
  return parts;
}

function steps(v, over) {
  const done = v.state === "finished" || v.state === "waits";
  [...el("steps").children].forEach((li, i) => {
    const how = i + 1 < v.step || done ? "done" : i + 1 === v.step && !over ? "now" : "to come";
    li.className = how === "to come" ? "later" : how === "done" ? "past" : "now";
    say(li.querySelector(".how"), how);
    if (how === "now") li.setAttribute("aria-current", "step");
    else li.removeAttribute("aria-current");
  });
}

let drawn = el("answer")?.dataset.number;

function asked(v, over) {
  const number = v.question ? String(v.question.number) : over ? "over" : "none";
  if (number === drawn) return; // what somebody types stays
  drawn = number;
  if (over) el("asked").replaceChildren(...ended(v));
  else if (v.question) el("asked").replaceChildren(question(v.question));
  else el("asked").replaceChildren(heading("One moment"), make("p", "why", "weighpost is at work; what it does stands below."));
  if (!mine && !over) return announce(v.question ? v.question.text : "");
  (el("text") || el("question"))?.focus();
  el("text")?.select();
  if (v.question || over) mine = false;
}

function show(v) {
  const over = v.state !== "asking" && v.state !== "working";
  steps(v, over);
  asked(v, over);
  el("reads").hidden = !v.reading;
  say(el("reading"), v.reading || "");
  el("saves").hidden = !v.summary;
  say(el("summary"), v.summary || "");
  el("lined").hidden = !v.lines;
  el("lines").replaceChildren(...(v.lines ? lines(v.lines) : []));
  el("leave").hidden = over;
  if (v.port) el("line").replaceChildren(make("code", "", v.port), v.settings ? ", set to " + v.settings : "");
  el("said").replaceChildren(...v.said.map((s) => make("li", "", s.text)));
  toEnd(el("said"));
  known = Math.max(known, v.event);
}

const toEnd = (e) => { e.scrollTop = e.scrollHeight; };

function chunk(b) {
  el("no-bytes").hidden = true;
  const li = make("li", b.sent ? "sent" : "");
  if (b.sent) li.append(make("span", "way", "sent to the balance"));
  li.append(make("code", "text", b.text), make("code", "hex", b.hex));
  if (b.left_out) li.append(make("span", "way", b.left_out + " more bytes came"));
  const list = el("bytes");
  list.append(li);
  while (list.children.length > MOST_CHUNKS) list.firstChild.remove();
  toEnd(list);
}

function told(answer) {
  for (const e of el("asked").querySelectorAll(".told")) e.remove();
  const p = make("p", "told", sentence(answer));
  p.setAttribute("role", "alert");
  el("asked").prepend(p);
}

// reply answers the question that stands on the page.
async function reply(answer) {
  const form = el("answer");
  if (!form || form.dataset.busy !== undefined) return;
  const body = { question: Number(form.dataset.number), answer };
  const reason = el("reason");
  if (reason && answer === "yes") {
    if (!reason.value.trim()) {
      reason.setAttribute("aria-invalid", "true");
      told({ title: "Say why the balance is added, for whoever reads the journal later" });
      return reason.focus();
    }
    body.reason = reason.value.trim();
  }
  form.dataset.busy = "";
  mine = true;
  const got = await ask("POST", base + "/answer", body);
  delete form.dataset.busy;
  if (ok(got)) return;
  mine = false;
  told(got);
}

document.addEventListener("submit", (e) => {
  if (e.target.id !== "answer") return;
  e.preventDefault();
  const pressed = e.submitter?.hasAttribute("value") ? e.submitter.value : undefined;
  if (e.target.dataset.kind === "text") return reply(el("text").value);
  if (pressed !== undefined || ["enough", "ready"].includes(e.target.dataset.kind)) reply(pressed ?? "");
});
document.addEventListener("click", (e) => {
  if (e.target.id === "back") reply("back");
});
// Enter in the reason saves; it must not press the first button by chance where that is another.
el("abandon")?.addEventListener("click", async (e) => {
  if (e.target.dataset.sure === undefined) {
    e.target.dataset.sure = "";
    say(e.target, "Press again to end it: nothing is saved");
    return;
  }
  const got = await ask("DELETE", base);
  if (!ok(got)) told(got);
});

const source = new EventSource(base + "/events");
const cut = el("cut");
source.addEventListener("visit", (e) => { cut.hidden = true; show(JSON.parse(e.data)); });
source.addEventListener("said", (e) => {
  cut.hidden = true;
  if (Number(e.lastEventId) <= known) return;
  el("said").append(make("li", "", JSON.parse(e.data).text));
  toEnd(el("said"));
});
source.addEventListener("bytes", (e) => chunk(JSON.parse(e.data)));
source.addEventListener("end", () => source.close());
source.onerror = () => {
  cut.hidden = false;
  say(cut, source.readyState === EventSource.CLOSED ? "weighpost does not know this any more, or you are not signed in any more. Load the page again." : "No connection to weighpost. Trying again; what you have answered is not lost.");
};
addEventListener("pagehide", () => source.close());
addEventListener("pageshow", (e) => { if (e.persisted) location.reload(); });
toEnd(el("said"));
