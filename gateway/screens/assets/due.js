// What is due, asked for anew every minute and whenever somebody comes back to the page. Where that fails, what stands there says from
// when it is, and that it may be old.
import { say } from "./ask.js";
import { renew } from "./renew.js";

const EVERY = 60_000; // ms
let asking = false;

async function look() {
  if (asking || document.hidden) return;
  asking = true;
  const fresh = await renew(["due"]);
  asking = false;
  say(document.querySelector("[data-renewed]"), fresh === null ? "weighpost does not answer: this may be old." : "");
}

setInterval(look, EVERY);
document.addEventListener("visibilitychange", look);
document.documentElement.dataset.renews = "";
