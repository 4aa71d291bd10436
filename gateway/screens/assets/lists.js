// Lists of entries: what is new meanwhile, and taking entries away as a file with its progress seen.
import { ask, ok, say, announce, sentence, count } from "./ask.js";

const fresh = document.getElementById("fresh");
const FRESH = 15_000; // ms between looks at what is new

async function look() {
  if (document.hidden || document.body.classList.contains("adrift")) return;
  const answer = await ask("GET", "/api/v1/entries?" + fresh.dataset.ask + (fresh.dataset.ask ? "&" : "") + "after=" + fresh.dataset.head + "&limit=1&count=true");
  if (!ok(answer) || !answer.count) return;
  say(fresh, count(answer.count) + " new since: show");
  fresh.hidden = false;
}
if (fresh && fresh.dataset.head !== "0") setInterval(look, FRESH);

const form = document.getElementById("take");
const taken = document.getElementById("taken");
const stop = document.getElementById("stop-taking");
let underWay = null;

function fitting() {
  const csv = form.elements.format.value === "csv";
  const box = form.elements.spreadsheet;
  box.disabled = !csv;
  document.getElementById("for-spreadsheet").hidden = !csv;
}

// nameOf is what the answer calls the file.
function nameOf(answer) {
  const named = /filename="([^"]+)"/.exec(answer.headers.get("Content-Disposition") || "");
  return named ? named[1] : "weighpost-export";
}

// take asks for the file, and says how much of it came. What is cut off is no file, and none is kept.
async function take() {
  const address = form.getAttribute("action") + "?" + new URLSearchParams(new FormData(form));
  underWay = new AbortController();
  stop.hidden = false;
  say(taken, "Asked for. The journal is read once before the first byte comes.");
  try {
    const answer = await fetch(address, { signal: underWay.signal, cache: "no-store" });
    if (!answer.ok) return say(taken, "There is no file. " + sentence({ ...(await answer.json()), status: answer.status }));
    const parts = [];
    let bytes = 0;
    for (const reader = answer.body.getReader(); ;) {
      const { done, value } = await reader.read();
      if (done) break;
      parts.push(value);
      bytes += value.length;
      say(taken, count(bytes) + " bytes so far");
    }
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(parts, { type: answer.headers.get("Content-Type") }));
    link.download = nameOf(answer);
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
    say(taken, "Whole: " + link.download + ", " + count(bytes) + " bytes.");
    announce("The file is whole.");
  } catch (e) {
    say(taken, e.name === "AbortError" ? "Stopped. There is no file." : "It was cut off before its end, so that there is no file. Ask again.");
  } finally {
    underWay = null;
    stop.hidden = true;
  }
}

if (form) {
  form.elements.format.addEventListener("change", fitting);
  fitting();
  stop.addEventListener("click", () => underWay?.abort());
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    if (!underWay) take();
  });
}

// What takes long says so while it lasts.
for (const slow of document.querySelectorAll("form[data-slow]")) {
  slow.addEventListener("submit", () => say(slow.querySelector("[data-slow]"), slow.dataset.slow));
  new MutationObserver(() => { if (slow.dataset.busy === undefined) say(slow.querySelector("[data-slow]"), ""); }).observe(slow, { attributeFilter: ["data-busy"] });
}
