// Registering a reference weight, and changing what is known of one: what the form holds goes to the address of its id.
import { send } from "./frame.js";

for (const form of document.querySelectorAll("form[data-weight]")) {
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    e.stopPropagation();
    const of = form.dataset.of ?? "/api/v1/reference-weights/" + encodeURIComponent(form.querySelector("[data-id]").value.trim());
    // The file of a certificate stays with that certificate, and not with another one.
    for (const field of form.querySelectorAll("[data-file]")) field.disabled = form.elements["certificate.number"].value !== form.dataset.number;
    form.dataset.send = "PUT " + of;
    send(form);
  });
}
