// Deliveries, kept up to date, and what somebody decides about what was refused.
import { ask, ok, make, sentence } from "./ask.js";
import { follow } from "./live.js";
import { renew } from "./renew.js";

const PACE = 2_000; // ms between two requests for what changed
let shown = "";
let askedAt = 0;

follow({
  async state(s) {
    const now = JSON.stringify(s.sinks);
    if (now === shown || document.hidden || Date.now() - askedAt < PACE) return;
    askedAt = Date.now();
    if (shown === "" || (await renew(["sinks"]))) shown = now;
  },
});

const form = document.getElementById("decide");

// tell says what went wrong, where somebody has just pressed something.
function tell(answer, form) {
  const told = make("p", "told", sentence(answer));
  told.setAttribute("role", "alert");
  told.tabIndex = -1;
  form.querySelector(".acts").before(told);
  told.focus();
}

function chosen() {
  if (form.elements.all?.checked) return { all: true };
  return { entries: [...form.querySelectorAll('input[name="entry"]:checked')].map((box) => Number(box.value)) };
}

async function decide(what) {
  for (const e of form.querySelectorAll(".told")) e.remove();
  const body = chosen();
  const reason = form.elements.reason.value.trim();
  if (reason) body.reason = reason;
  const wrong = body.entries?.length === 0 ? "Choose one or more of them first" : what === "drop" && !reason ? "Say why they are never delivered" : "";
  if (wrong) return tell({ title: wrong }, form);
  const count = body.all ? Number(form.dataset.parked) : body.entries.length;
  if (what === "drop" && !confirm(`Never deliver ${count === 1 ? "this entry" : `these ${count} entries`} to ${form.dataset.sink}? They stay in the journal.`)) return;
  if (form.dataset.busy !== undefined) return;
  form.dataset.busy = "";
  const answer = await ask("POST", `/api/v1/deliveries/${encodeURIComponent(form.dataset.sink)}/${what}`, body);
  delete form.dataset.busy;
  if (!ok(answer)) return tell(answer, form);
  location.assign(location.pathname);
}

form?.addEventListener("submit", (e) => {
  e.preventDefault();
  decide(e.submitter?.value ?? "retry");
});

// What is held back, and is released.
const held = document.getElementById("release");

document.getElementById("all-held")?.addEventListener("change", (e) => {
  for (const box of held.querySelectorAll('input[name="held"]')) box.checked = e.target.checked;
});

held?.addEventListener("submit", async (e) => {
  e.preventDefault();
  for (const old of held.querySelectorAll(".told")) old.remove();
  const entries = [...held.querySelectorAll('input[name="held"]:checked')].map((box) => Number(box.value));
  const reason = held.elements["release-reason"].value.trim();
  const wrong = entries.length === 0 ? "Choose one or more of them first" : !reason ? "Say why they may go out" : "";
  if (wrong) return tell({ title: wrong }, held);
  if (held.dataset.busy !== undefined) return;
  held.dataset.busy = "";
  const answer = await ask("POST", "/api/v1/deliveries/release", { entries, reason });
  delete held.dataset.busy;
  if (!ok(answer)) return tell(answer, held);
  location.assign(location.pathname);
});
