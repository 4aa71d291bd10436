// Judging what a failed check throws doubt on: those that are chosen, or all that are not judged.
import { ask, ok, say } from "./ask.js";
import { tell } from "./frame.js";

const form = document.getElementById("judge");
const boxes = [...(form?.querySelectorAll(".one") ?? [])];
const chosen = () => boxes.filter((b) => b.checked);

function count() {
  const n = chosen().length;
  say(document.getElementById("chosen"), n === 0 ? "Nothing is chosen." : n === 1 ? "1 weighing is chosen." : n + " weighings are chosen.");
}
for (const b of boxes) b.addEventListener("change", count);
document.getElementById("all-here")?.addEventListener("click", () => {
  const all = boxes.some((b) => !b.checked);
  for (const b of boxes) b.checked = all;
  count();
});

form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  e.stopPropagation();
  if (form.dataset.busy !== undefined) return;
  for (const old of form.querySelectorAll(".told, .wrong")) old.remove();
  const body = { effect: form.elements.effect.value, reason: form.elements.reason.value };
  if (e.submitter?.value !== "all") {
    body.weighings = chosen().map((b) => ({ seq: Number(b.dataset.seq), id: b.dataset.id }));
    if (body.weighings.length === 0) return tell(form, { status: 422, title: "Nothing is chosen", detail: "Choose the weighings that are judged." });
  }
  form.dataset.busy = "";
  const answer = await ask("POST", form.dataset.address, body);
  delete form.dataset.busy;
  if (!ok(answer)) return tell(form, answer);
  location.reload();
});
