// Beginning a run: what was scanned or typed becomes its items, and a number gets the unit that the procedure gives it.
import { ask, ok } from "./ask.js";
import { tell } from "./frame.js";

const form = document.getElementById("begin");

// itemsOf reads items, one a line: a sample, a container, or both with a semicolon or a tab between.
function itemsOf(text, about) {
  return text.split("\n").map((l) => l.trim()).filter(Boolean).map((line) => {
    if (about === "containers") return { container: line };
    if (about !== "both") return { sample: line };
    const at = Math.max(line.lastIndexOf(";"), line.lastIndexOf("\t"));
    return at < 0 ? { sample: line } : { sample: line.slice(0, at).trim(), container: line.slice(at + 1).trim() };
  });
}

function orderOf() {
  const order = { procedure: form.dataset.procedure };
  const balance = document.getElementById("balance").value;
  if (balance) order.balance = balance;
  const items = itemsOf(document.getElementById("items")?.value ?? "", form.dataset.about);
  if (items.length) order.items = items;
  const parameters = {};
  for (const field of form.querySelectorAll("[data-parameter]")) {
    const value = field.value.trim();
    if (!value) continue;
    const unit = field.dataset.unit;
    parameters[field.dataset.parameter] = unit && unit !== "1" ? value + " " + unit : value;
  }
  if (Object.keys(parameters).length) order.parameters = parameters;
  return order;
}

form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  if (form.dataset.busy !== undefined) return;
  form.dataset.busy = "";
  for (const old of form.querySelectorAll(".told, .wrong[data-made]")) old.remove();
  const answer = await ask("POST", "/api/v1/runs", orderOf());
  delete form.dataset.busy;
  if (!ok(answer)) return tell(form, answer);
  location.assign("/runs/" + encodeURIComponent(answer.id));
});
document.getElementById("items")?.focus();
