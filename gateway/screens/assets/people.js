// Forms on people and rights: what changes is shown before it is sent, and what is shown once is shown.
import { make, say, announce } from "./ask.js";

// A day becomes the moment at its end, in the zone of weighpost's computer.
const isDay = (day) => !Number.isNaN(Date.parse(day + "T00:00:00Z")) && new Date(day + "T00:00:00Z").toISOString().startsWith(day);
const dayAfter = (day) => new Date(Date.parse(day + "T00:00:00Z") + 86_400_000).toISOString().slice(0, 10);
function takeDay(day) {
  const sent = day.parentElement.querySelector('[name="expires"]');
  sent.disabled = day.value === day.defaultValue;
  sent.value = day.value ? dayAfter(day.value) + "T00:00:00" + day.dataset.day : "0001-01-01T00:00:00Z";
}

// differencesOf lists what a form holds that it did not hold when it came: what, old, new.
function differencesOf(form) {
  const list = [];
  for (const field of form.querySelectorAll("input[data-says]:not([type=checkbox])")) {
    if (field.value.trim() !== field.defaultValue) list.push([field.dataset.says, field.defaultValue || "–", field.value.trim() || "–"]);
  }
  for (const group of form.querySelectorAll("fieldset[data-says]")) {
    const boxes = [...group.querySelectorAll("input[type=checkbox]")];
    const names = (is) => boxes.filter(is).map((b) => b.dataset.says).join(", ") || "none";
    const was = names((b) => b.defaultChecked), now = names((b) => b.checked);
    if (was !== now) list.push([group.dataset.says, was, now]);
  }
  return list;
}

// look shows the difference and asks for the reason; back takes both away.
function look(form) {
  const list = differencesOf(form);
  const box = form.querySelector(".difference");
  box.replaceChildren();
  box.hidden = false;
  if (!list.length) {
    box.append(make("p", "", "Nothing would change."));
    return box.focus();
  }
  const row = ([what, was, now]) => {
    const head = make("th", "", what);
    head.scope = "row";
    return make("tr", "", "", head, make("td", "", was), make("td", "", now));
  };
  const heads = make("tr", "", "", ...["What", "Is", "Becomes"].map((text) => make("th", "", text)));
  box.append(make("table", "", "", make("thead", "", "", heads), make("tbody", "", "", ...list.map(row))));
  form.dataset.seen = JSON.stringify(list);
  ask(form, true);
  form.querySelector("[data-reason] input").focus();
}

function ask(form, yes) {
  form.querySelector("[data-reason]").hidden = !yes;
  form.querySelector("[data-reason] input").disabled = !yes;
  form.querySelector("[data-back]").hidden = !yes;
  say(form.querySelector("button[type=submit]"), yes ? "Save the change" : "Look at the change");
  if (!yes) {
    delete form.dataset.seen;
    form.querySelector(".difference").hidden = true;
  }
}

for (const form of document.querySelectorAll("form[data-differs]")) {
  ask(form, false);
  form.querySelector("[data-back]").addEventListener("click", () => {
    ask(form, false);
    form.querySelector("input:not([type=hidden])").focus();
  });
}

for (const day of document.querySelectorAll("[data-day]")) {
  day.addEventListener("input", () => day.setCustomValidity(day.value.length < 10 || isDay(day.value) ? "" : "There is no such day. A day is written YYYY-MM-DD, such as 2026-11-25."));
}

document.addEventListener("submit", (e) => {
  for (const day of e.target.querySelectorAll("[data-day]")) takeDay(day);
  if (e.target.dataset.differs === undefined || e.target.dataset.seen === JSON.stringify(differencesOf(e.target))) return;
  e.preventDefault();
  e.stopImmediatePropagation();
  look(e.target);
}, true);

// What is answered this once is shown until the page is left, with a button that copies it.
function showOnce(form, text, words) {
  const shown = make("output", "once", text);
  const copy = make("button", "plain", "Copy it");
  copy.type = "button";
  copy.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(text);
      announce("Copied.");
      say(copy, "Copied");
    } catch {
      getSelection().selectAllChildren(shown);
      announce("It could not be copied by itself: it is selected, copy it by hand.");
    }
  });
  const box = make("div", "done", "", make("p", "", words), shown, copy);
  box.tabIndex = -1;
  form.replaceChildren(box);
  box.focus();
}

document.addEventListener("done", (e) => {
  const form = e.target, answer = e.detail;
  if (form.dataset.once) {
    e.preventDefault();
    showOnce(form, answer[form.dataset.once], "It is shown this once, and kept nowhere. Hand it over in person, or by a way that only its owner sees.");
  }
  if (form.dataset.goes) {
    e.preventDefault();
    const pages = ["new", "roles", "keys", "reviews"];
    location.assign(form.dataset.goes + encodeURIComponent(answer.id) + (pages.includes(answer.id) ? "/" : ""));
  }
});

// A key for some balances only: without the tick none is named, which means all.
const some = document.getElementById("some");
function narrow() {
  for (const box of document.querySelectorAll('[name="balances[]"]')) box.disabled = !some.checked;
  document.getElementById("which").hidden = !some.checked;
}
some?.addEventListener("change", narrow);
if (some) narrow();
