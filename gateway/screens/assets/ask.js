// Asking weighpost's API from a page of its own. What comes from outside is set as text, never as markup.

// ask sends a request, and gives its status and what it says. body is sent as JSON, and a file as it is.
export async function ask(method, path, body, headers = {}) {
  const init = { method, headers: { "X-Weighpost-Page": "1", ...headers }, cache: "no-store" };
  if (body !== undefined) {
    init.headers["Content-Type"] ??= "application/json";
    init.body = body instanceof Blob ? body : JSON.stringify(body);
  }
  try {
    const answer = await fetch(path, init);
    const text = await answer.text();
    const said = text ? JSON.parse(text) : {};
    return { ...said, status: answer.status, etag: answer.headers.get("ETag") };
  } catch {
    return { status: 0, title: "No connection to weighpost", detail: "Nothing is known of what became of it. Look, and try again in a moment." };
  }
}

// ok says whether an answer says that it was done.
export const ok = (answer) => answer.status >= 200 && answer.status < 300;

// sentence is what an answer that refuses says.
export function sentence(answer) {
  const title = answer.title || "weighpost answers with status " + answer.status;
  return answer.detail && answer.detail !== title ? title + ". " + answer.detail : title + ".";
}

// say sets a text where it changed, so that nothing is painted or read again without need.
export function say(e, text) {
  if (e && e.textContent !== text) e.textContent = text;
}

// announce has a screen reader say something.
export const announce = (text) => say(document.getElementById("heard"), text);

// make gives an element with a class, a text and children.
export function make(tag, cls, text, ...children) {
  const e = document.createElement(tag);
  if (cls) e.className = cls;
  if (text) e.textContent = text;
  e.append(...children);
  return e;
}

// shape gives a shape, by its name in the frame.
export function shape(name) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("class", "shape");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(ns, "use");
  use.setAttribute("href", "#" + name);
  svg.append(use);
  return svg;
}

// count writes a whole number as pages do, in groups of three.
export const count = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, "\u202f");

const zone = document.documentElement.dataset.zone; // of the computer that weighpost runs on, as +01:00

// clock writes a moment as pages do (words.go), in the zone of weighpost's computer: today's by the time alone, and any other with its
// day and the zone. It takes what Date does: an ISO 8601 text, or ms since 1970.
export function clock(moment) {
  const [h, m] = zone.slice(1).split(":").map(Number);
  const local = (t) => new Date(t + (zone[0] === "-" ? -1 : 1) * (h * 60 + m) * 60_000).toISOString();
  const then = local(new Date(moment).getTime());
  const time = then.slice(11, 19);
  return then.slice(0, 10) === local(Date.now()).slice(0, 10) ? time : then.slice(0, 10) + " " + time + " " + zone;
}
