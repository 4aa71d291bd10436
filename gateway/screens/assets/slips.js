// Typing in a slip: its picture goes first, then what stands on it. Where the journal may have the weighing already, the form asks.
import { send, tell } from "./frame.js";
import { ask, ok } from "./ask.js";

const MOST = 10 * 1024 * 1024; // bytes of a picture
const KINDS = [["image/png", "\x89PNG\r\n\x1a\n"], ["image/jpeg", "\xff\xd8\xff"]]; // and how each begins

const form = document.getElementById("slip");
const refuse = (field, message) => tell(form, { title: "Nothing was done", detail: message, errors: [{ location: field, message }] });

// keep sends a picture, and gives its hash, or "" once the form says what is wrong with it.
async function keep(file) {
  const head = String.fromCharCode(...new Uint8Array(await file.slice(0, 8).arrayBuffer()));
  const kind = KINDS.find(([, begins]) => head.startsWith(begins))?.[0];
  if (!kind) return refuse("picture", "The picture is no PNG or JPEG: it does not begin as one, whatever its name says.");
  if (file.size > MOST) return refuse("picture", "The picture has more than 10 MiB: take it again with fewer points.");
  const answer = await ask("POST", "/api/v1/slip-pictures?" + new URLSearchParams({ name: file.name }), file, { "Content-Type": kind });
  if (!ok(answer)) return tell(form, answer);
  return answer.sha256;
}

form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  e.stopPropagation(); // it is not sent as it stands
  if (form.dataset.busy !== undefined) return;
  for (const old of form.querySelectorAll(".told, .wrong[data-made]")) old.remove();
  const file = document.getElementById("slip-picture").files[0];
  const held = form.elements.namedItem("picture");
  form.elements.weighed.value = document.getElementById("when").value.trim().replace(" ", "T").replace(/T\d\d:\d\d$/, "$&:00") + document.documentElement.dataset.zone;
  if (file && held.dataset.of !== file.name + file.lastModified) {
    form.dataset.busy = "";
    const hash = await keep(file);
    delete form.dataset.busy;
    if (!hash) return;
    held.value = hash;
    held.dataset.of = file.name + file.lastModified;
  }
  if (!file) held.value = "";
  await send(form);
  const sure = form.elements.sure;
  if (sure.hasAttribute("aria-invalid")) {
    document.getElementById("another").hidden = false;
    sure.focus();
  }
});
