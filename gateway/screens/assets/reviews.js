// Approving several runs at once: what is ticked is sent with the hash of the statement that stands beside it, and each says what became of it.
import { ask, ok, announce } from "./ask.js";
import { tell } from "./frame.js";

const form = document.getElementById("together");
const id = document.getElementById("together-id");
const secret = document.getElementById("together-secret");

form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  for (const old of form.querySelectorAll(".told[role=alert]")) old.remove();
  const ticked = [...form.querySelectorAll("[data-run]:checked")];
  if (!ticked.length) return tell(form, { title: "Nothing is ticked", detail: "Tick the runs that you approve." });
  if (form.dataset.busy !== undefined) return;
  form.dataset.busy = "";
  const signing = { secret: secret.value };
  if (id.value.trim()) signing.id = id.value.trim();
  const answer = await ask("POST", "/api/v1/reviews/together", { signing,
    runs: ticked.map((t) => ({ run: t.dataset.run, seen: Number(t.dataset.seen), statement_sha256: t.dataset.statement })) });
  delete form.dataset.busy;
  secret.value = "";
  if (!ok(answer)) return tell(form, answer);
  let done = 0;
  for (const one of answer.runs) {
    const tick = ticked.find((t) => t.dataset.run === one.run);
    const says = tick.closest(".together-run").querySelector("[data-outcome]");
    says.textContent = one.ok ? "Approved, and signed." : "Not approved: " + (one.why || "nothing is known of why") + ".";
    says.className = "together-said " + (one.ok ? "done" : "told");
    says.hidden = false;
    tick.checked = false;
    tick.disabled = one.ok;
    if (one.ok) done++;
  }
  announce(done + " of " + answer.runs.length + " approved.");
});
