// Registering containers, many at once, and changing what is known of one.
import { ask, ok } from "./ask.js";
import { tell } from "./frame.js";

const text = (id) => document.getElementById(id).value.trim();

// carry sends what a form means, once, and loads the page again.
async function carry(form, body) {
  if (form.dataset.busy !== undefined) return;
  for (const old of form.querySelectorAll(".told, .wrong[data-made]")) old.remove();
  form.dataset.busy = "";
  const answer = await ask("POST", "/api/v1/containers", body);
  delete form.dataset.busy;
  if (!ok(answer)) return tell(form, answer);
  location.reload();
}

function facts(sort) {
  const known = { sort: text(sort), lot: text("lot"), expires: text("expires") };
  if (known.expires) known.expires += "T00:00:00Z";
  return Object.fromEntries(Object.entries(known).filter(([, value]) => value));
}

const register = document.getElementById("register");
register?.addEventListener("submit", (e) => {
  e.preventDefault();
  e.stopPropagation(); // it is not sent as it stands
  const ids = document.getElementById("ids").value.split("\n").map((id) => id.trim()).filter(Boolean);
  const reason = text("reason");
  carry(register, { containers: ids.map((id) => ({ id })), ...facts("new-sort"), ...(reason && { reason }) });
});

const change = document.querySelector("form[data-change]");
change?.addEventListener("submit", (e) => {
  e.preventDefault();
  e.stopPropagation();
  const fields = JSON.parse(change.dataset.fields || "null") ?? {};
  carry(change, { containers: [{ id: change.dataset.id, fields, ...facts("sort") }], reason: text("why-changed") });
});
