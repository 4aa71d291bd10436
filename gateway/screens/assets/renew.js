// Asking weighpost for parts of the page anew, as it writes them. What comes is a document without scripts that were run, and its
// parts take the place of those of the same name; the keyboard stays where it was, what was folded out stays so, and what somebody has
// begun to type stays in a field that says what it is for (data-keeps), as long as it is for the same.
export function renew(names) {
  const address = new URL(location.href);
  for (const name of names) address.searchParams.append("part", name);
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("GET", address);
    request.responseType = "document";
    request.setRequestHeader("X-Weighpost-Page", "looks");
    request.timeout = 10_000;
    request.onerror = request.ontimeout = () => resolve(null);
    request.onload = () => resolve(request.status === 200 && request.responseXML ? replace(request.responseXML) : null);
    request.send();
  });
}

const READ = 8_000; // ms that an answer stays

const focusable = "a[href], button, input, select, textarea, summary, [tabindex]";

function replace(from) {
  const fresh = [];
  for (const part of from.querySelectorAll("[data-part]")) {
    const old = document.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
    if (!old) continue;
    const next = document.importNode(part, true);
    if (old.querySelector("form[data-busy]")) continue;
    if (old.querySelector("form .told, form .done")) { // somebody has just pressed something there, and reads what came of it
      old.saidAt ??= Date.now();
      if (Date.now() - old.saidAt < READ) continue;
    }
    const open = [...old.querySelectorAll("details[open]")].map((d) => d.dataset.of);
    for (const d of next.querySelectorAll("details")) d.open = open.includes(d.dataset.of);
    for (const field of next.querySelectorAll("input[data-keeps]")) {
      const was = [...old.querySelectorAll("input[data-keeps]")].find((f) => f.id === field.id && f.dataset.keeps === field.dataset.keeps);
      if (was?.value) field.value = was.value;
    }
    const at = old.contains(document.activeElement) ? [...old.querySelectorAll(focusable)].indexOf(document.activeElement) : -1;
    old.replaceWith(next);
    if (at >= 0) [...next.querySelectorAll(focusable)][at]?.focus();
    next.renewedAt = Date.now();
    fresh.push(next);
  }
  return fresh;
}
