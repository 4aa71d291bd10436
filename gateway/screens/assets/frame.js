// What every page does: signing out, and sending forms to the API.
//
//   <form class="form" data-send="PUT /api/v1/people/x/pin" data-then="/people/x" data-done="The PIN holds.">
//
// A field's name is its place in the JSON that is sent: "pin", "port.address", "roles[]" (a list of what is ticked). data-type says
// what it becomes: number, bool, list (by lines), moment (a time of the lab), or else text. An empty field is left out, unless it has data-empty. With
// data-then the browser goes there when it is done, with data-follows to where the answer says (go_to), with data-done it says so, with none of them it loads the page again. Before that
// the form gives out an event "done" with the answer, which may prevent what follows. A field with data-trim is sent without blanks
// around it. With data-query what a form holds goes into the address, as a DELETE has it. Where what somebody gave as proof was wrong
// (401), the keyboard goes to the field that data-proof names, and else to that of data-other. A button that is disabled with
// data-waits waits for this script, so that nothing typed before goes elsewhere; such a form has the method post, so that what is in it
// never comes into an address.
import { ask, ok, sentence, announce, make } from "./ask.js";

document.getElementById("sign-out")?.addEventListener("click", async () => {
  const answer = await ask("DELETE", "/api/v1/session");
  if (ok(answer)) return location.assign("/");
  announce("You are still signed in. " + sentence(answer));
});

// momentOf is a time of the lab, "2026-11-25 10:04", as the API has it. One that nobody changed is not sent, and one that was taken out is null.
function momentOf(field) {
  const text = field.value.trim();
  if (text === field.defaultValue) return undefined;
  return text ? text.replace(" ", "T").replace(/T\d\d:\d\d$/, "$&:00") + document.documentElement.dataset.zone : null;
}

function valueOf(field) {
  if (field.dataset.trim !== undefined) field.value = field.value.trim();
  switch (field.dataset.type) {
    case "number": return field.value === "" ? undefined : Number(field.value);
    case "bool": return field.type === "checkbox" ? field.checked : field.value === "" ? undefined : field.value === "true";
    case "moment": return momentOf(field);
    case "list": return field.value.split("\n").map((x) => x.trim()).filter(Boolean);
  }
  return field.value === "" && field.dataset.empty === undefined ? undefined : field.value;
}

// bodyOf is the JSON that a form holds.
export function bodyOf(form) {
  const body = {};
  for (const field of form.elements) {
    if (!field.name || field.disabled) continue;
    const list = field.name.endsWith("[]");
    const steps = field.name.replace(/\[\]$/, "").split(".");
    const last = steps.pop();
    const at = () => steps.reduce((o, step) => (o[step] ??= {}), body);
    if (list) {
      const all = (at()[last] ??= []);
      if ((field.type !== "checkbox" && field.value !== "") || field.checked) all.push(field.value);
      continue;
    }
    if (field.type === "radio" && !field.checked) continue;
    const value = valueOf(field);
    if (value !== undefined) at()[last] = value;
  }
  return body;
}

function quiet(form) {
  for (const e of form.querySelectorAll(".told, .done, .wrong[data-made]")) e.remove();
  for (const e of form.querySelectorAll("[aria-invalid]")) e.removeAttribute("aria-invalid");
}

// tell says in a form what went wrong, to eyes and ears; beside the field that it is about, where that is known.
export function tell(form, answer) {
  const told = make("p", "told", sentence(answer));
  told.setAttribute("role", "alert");
  told.tabIndex = -1;
  form.prepend(told);
  let first = told;
  for (const e of answer.errors || []) {
    const name = (e.location || "").replace(/^body\.?/, "");
    const field = name && (form.elements.namedItem(name) || form.elements.namedItem(name + "[]"));
    const line = make("p", "wrong", (field ? "" : name ? name + ": " : "") + e.message);
    line.dataset.made = "";
    if (field?.setAttribute) {
      field.setAttribute("aria-invalid", "true");
      field.after(line);
      if (first === told) first = field;
    } else {
      told.after(line);
    }
  }
  const proof = form.elements.namedItem((answer.status === 401 ? form.dataset.proof : form.dataset.other) ?? "");
  if (first === told && proof?.focus) {
    proof.setAttribute("aria-invalid", "true");
    first = proof;
    proof.select?.();
  }
  first.focus();
}

// send has a form carried out. A second click does nothing twice.
export async function send(form) {
  if (form.dataset.busy !== undefined) return;
  const [method, path] = form.dataset.send.split(" ");
  quiet(form);
  form.dataset.busy = "";
  const button = form.querySelector('button:not([type="button"])');
  button?.setAttribute("aria-disabled", "true");
  const bare = form.dataset.query !== undefined || method === "DELETE" && form.dataset.body === undefined;
  const where = form.dataset.query === undefined ? path : path + "?" + new URLSearchParams(bodyOf(form));
  const answer = await ask(method, where, bare ? undefined : bodyOf(form));
  delete form.dataset.busy;
  button?.removeAttribute("aria-disabled");
  if (!ok(answer)) return tell(form, answer);
  if (!form.dispatchEvent(new CustomEvent("done", { detail: answer, cancelable: true, bubbles: true }))) return;
  if (form.dataset.follows !== undefined) return location.assign(answer.go_to);
  if (form.dataset.then) return location.assign(form.dataset.then);
  if (form.dataset.done === undefined) return location.reload();
  const done = make("p", "done", form.dataset.done);
  done.setAttribute("role", "status");
  form.prepend(done);
}

document.addEventListener("submit", (e) => {
  if (e.target.dataset?.send === undefined) return; // a search goes its own way
  e.preventDefault();
  send(e.target);
});

for (const button of document.querySelectorAll("[data-waits]")) button.disabled = false;
