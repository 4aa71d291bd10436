// Where a screen learns at which balance it stands. That is kept in this browser.
import { ask, ok, sentence, make } from "./ask.js";

const KEPT = "weighpost.bench";
const bound = localStorage.getItem(KEPT);
const known = [...document.querySelectorAll("[data-bind]")].map((a) => a.dataset.bind);
if (bound && known.includes(bound) && !new URLSearchParams(location.search).has("choose")) location.replace("/bench/" + encodeURIComponent(bound));

function bind(id) {
  localStorage.setItem(KEPT, id);
  location.assign("/bench/" + encodeURIComponent(id));
}

for (const a of document.querySelectorAll("[data-bind]")) {
  a.addEventListener("click", (e) => { e.preventDefault(); bind(a.dataset.bind); });
}

const form = document.getElementById("bind");
if (form) {
  const field = document.getElementById("code");
  field.disabled = false; // what is scanned before there is a script would be lost without a word
  field.focus();
}
form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  const field = document.getElementById("code");
  const code = field.value.trim();
  field.value = "";
  if (!code) return;
  const answer = await ask("GET", "/api/v1/labels?code=" + encodeURIComponent(code));
  if (ok(answer)) return bind(answer.balance);
  form.querySelector(".told")?.remove();
  const told = make("p", "told", "“" + code + "”: " + sentence(answer));
  told.setAttribute("role", "alert");
  form.prepend(told);
  field.focus();
});
