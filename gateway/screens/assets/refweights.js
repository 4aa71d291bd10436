// Registering a reference weight, and changing what is known of one: what the form holds goes to the address of its id, and then the file
// of its certificate, if one was chosen.
import { send, tell } from "./frame.js";
import { ask, ok } from "./ask.js";

const MOST = 10 * 1024 * 1024; // bytes of a file
const KINDS = [["application/pdf", "%PDF-"], ["image/png", "\x89PNG\r\n\x1a\n"], ["image/jpeg", "\xff\xd8\xff"]]; // and how each begins

async function kindOf(file) {
  const head = String.fromCharCode(...new Uint8Array(await file.slice(0, 8).arrayBuffer()));
  return KINDS.find(([, begins]) => head.startsWith(begins))?.[0];
}

// unkept is why a file cannot be kept, or "". What weighpost itself would refuse is told before anything is sent.
async function unkept(file) {
  if (file.size === 0) return "The file is empty.";
  if (file.size > MOST) return "The file has " + (file.size / 1024 / 1024).toFixed(1) + " MiB, and at most 10 MiB are kept: scan it again with fewer dots, or without colours.";
  if (!(await kindOf(file))) return "The file is no PDF, PNG or JPEG: it does not begin as one, whatever its name says.";
  return "";
}

// keep sends a file, and gives the answer.
async function keep(of, file, reason) {
  const query = new URLSearchParams({ name: file.name, ...(reason && { reason }) });
  return ask("PUT", of + "/file?" + query, file, { "Content-Type": await kindOf(file) });
}

const refuse = (form, field, message) => tell(form, { title: "Nothing was done", detail: message, errors: [{ location: field, message }] });

for (const form of document.querySelectorAll("form[data-weight]")) {
  const chosen = () => form.querySelector('input[type="file"]').files[0];
  const id = () => form.querySelector("[data-id]")?.value.trim();
  const address = () => form.dataset.of ?? "/api/v1/reference-weights/" + encodeURIComponent(id());
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    e.stopPropagation();
    const file = chosen();
    const why = file && ((await unkept(file)) || (form.elements["certificate.number"].value.trim() === "" && "Give the number of the certificate: the file belongs to it."));
    if (why) return refuse(form, "file", why);
    // The file of a certificate stays with that certificate, and not with another one.
    for (const field of form.querySelectorAll("[data-file]")) field.disabled = form.elements["certificate.number"].value !== form.dataset.number;
    form.dataset.send = "PUT " + address();
    send(form);
  });
  form.addEventListener("done", async (e) => {
    const file = chosen();
    if (!file) return;
    e.preventDefault();
    const answer = await keep(address(), file, "");
    if (ok(answer)) return location.assign("/weights/" + address().split("/").pop());
    tell(form, { ...answer, title: "What you wrote is recorded, and the file was not kept. Attach it on the page of the weight. " + (answer.title ?? "") });
  });
}

for (const form of document.querySelectorAll("form[data-weight-file]")) {
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const file = form.querySelector('input[type="file"]').files[0];
    const why = file ? await unkept(file) : "Choose the file first.";
    for (const old of form.querySelectorAll(".told, .wrong[data-made]")) old.remove();
    if (why) return refuse(form, "certificate-file", why);
    const button = form.querySelector("button");
    button.setAttribute("aria-disabled", "true");
    const answer = await keep(form.dataset.of, file, form.elements.reason.value.trim());
    button.removeAttribute("aria-disabled");
    if (!ok(answer)) return tell(form, answer);
    location.reload();
  });
}
