// The live stream: everything about once a second while it changes, and the latest readings ten times a second.
import { ask, ok, say, clock } from "./ask.js";

const SILENT = 35_000; // ms without a word from weighpost after which the connection counts as lost

// follow calls on.state, on.readings and on.answer with what comes, until the page goes. While weighpost is not heard the page says so:
// on.adrift(true), and the body has the class adrift.
export function follow(on, address = "/live") {
  let heardAt = 0;
  let source = null;
  const cut = document.getElementById("cut");
  function adrift(yes) {
    if (document.body.classList.contains("adrift") !== yes) on.adrift?.(yes);
    document.body.classList.toggle("adrift", yes);
    cut.hidden = !yes;
    if (yes) say(cut, "No connection to weighpost. " + (heardAt ? "What is shown is from " + clock(heardAt) + ", and may be wrong by now." : "Trying again."));
  }
  function connect() {
    source = new EventSource(address);
    for (const name of ["state", "readings", "answer"]) {
      source.addEventListener(name, (e) => {
        heardAt = Date.now();
        adrift(false);
        on[name]?.(JSON.parse(e.data));
      });
    }
    source.onerror = () => {
      adrift(true);
      source.close();
      mayStillLook();
      setTimeout(connect, 3_000);
    };
  }
  // Whoever may look no more, as after the end of a session, comes to where the page says so. It is asked as what a page asks of itself,
  // so that it does not count as somebody being there.
  async function mayStillLook() {
    const answer = await ask("GET", "/api/v1/session", undefined, { "X-Weighpost-Page": "looks" });
    if (ok(answer) && !answer.rights.includes("see")) location.reload();
  }
  setInterval(() => { if (heardAt && Date.now() - heardAt > SILENT) adrift(true); }, 1_000);
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (e) => { if (e.persisted) connect(); });
  connect();
}
