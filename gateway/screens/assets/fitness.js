// The form for what was done to a balance shows what belongs to it: a place after a move, a certificate after a calibration.
const form = document.getElementById("upkeep-form");
function fit() {
  const act = form.elements.act.value;
  const needed = { move: act === "move", calibration: act === "calibration", "no-found": form.elements.as_found.value === "" };
  for (const [name, on] of Object.entries(needed)) {
    const part = form.querySelector(`[data-for="${name}"]`);
    part.hidden = !on;
    for (const field of part.querySelectorAll("input")) field.disabled = !on; // what is not shown is not sent
  }
}
if (form) {
  form.addEventListener("change", fit);
  fit();
}
