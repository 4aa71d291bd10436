// Announcing samples, and ending one with the reason in the address, where the API wants it.
import { ask, ok } from "./ask.js";
import { tell } from "./frame.js";

const form = document.getElementById("announce");
form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  e.stopPropagation(); // it is not sent as it stands
  if (form.dataset.busy !== undefined) return;
  for (const old of form.querySelectorAll(".told, .wrong")) old.remove();
  const with_ = {};
  for (const name of ["lot", "method", "run", "expires"]) {
    const value = document.getElementById(name).value.trim();
    if (value) with_[name] = value;
  }
  const ids = document.getElementById("ids").value.split("\n").map((id) => id.trim()).filter(Boolean);
  form.dataset.busy = "";
  const answer = await ask("POST", "/api/v1/samples", { samples: ids.map((id) => ({ id, ...with_ })) });
  delete form.dataset.busy;
  if (!ok(answer)) return tell(form, answer);
  location.reload();
});

for (const end of document.querySelectorAll("form.end")) {
  end.addEventListener("submit", () => {
    end.dataset.send = "DELETE " + end.dataset.address + "?reason=" + encodeURIComponent(end.querySelector(".why-ended").value);
  });
}
