"use strict";
// Signing in and out, another password, and the first account. What comes from outside is set as text, never as markup; what a
// person types goes to weighpost and is kept nowhere.

const byId = (id) => document.getElementById(id);
const MARK = { "X-Weighpost-Page": "1" };

// ask sends a request, and gives its status and what it says.
async function ask(method, path, body) {
  const init = { method, headers: { ...MARK }, cache: "no-store" };
  if (body) {
    init.headers["Content-Type"] = "application/json";
    init.body = JSON.stringify(body);
  }
  try {
    const answer = await fetch("api/v1/" + path, init);
    return { status: answer.status, ...(await answer.json()) };
  } catch {
    return { status: 0, title: "No connection to weighpost", detail: "Try again in a moment." };
  }
}

// tell says what went wrong, to eyes and ears, and puts the keyboard where it goes on.
function tell(answer, next) {
  const told = byId("told");
  told.hidden = false;
  told.textContent = answer.title + ". " + (answer.detail || "");
  if (next) {
    next.setAttribute("aria-invalid", "true");
    next.setAttribute("aria-describedby", ((next.dataset.note || "") + " told").trim());
    next.focus();
    next.select();
  } else {
    told.focus();
  }
}

function quiet() {
  byId("told").hidden = true;
  for (const e of document.querySelectorAll("[aria-invalid]")) e.removeAttribute("aria-invalid");
}

// take has a form carried out: send gives the answer, done goes on. Where it was refused the keyboard goes to the field that
// proves who asks, if that was wrong, and else to the one that was not good enough.
function take(form, proof, other, send, done) {
  let busy = false;
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    if (busy) return; // a second click does nothing twice
    busy = true;
    quiet();
    const button = form.querySelector("button");
    button.setAttribute("aria-disabled", "true");
    const answer = await send();
    busy = false;
    button.removeAttribute("aria-disabled");
    if (answer.status === 200) done(answer);
    else tell(answer, answer.status === 401 ? proof : other);
  });
}

function home() {
  location.assign("./");
}

// begun goes on after a sign-in: with another password where one has to be chosen.
function begun(facts) {
  if (facts.must_change) show(facts);
  else home();
}

function show(facts) {
  const first = facts.ways.set_up && !facts.signed_in;
  const person = facts.signed_in && facts.session;
  byId("sign-in").hidden = person || first;
  byId("set-up").hidden = !first;
  byId("signed-in").hidden = !person;
  byId("choose").hidden = !person || !(facts.must_change || facts.by === "password");
  const title = first ? "First account" : person ? (facts.must_change ? "Choose another password" : "Your account") : "Sign in";
  byId("title").textContent = title;
  document.title = title + " – weighpost";
  for (const e of document.querySelectorAll(".look")) e.hidden = !facts.rights.includes("see");
  if (facts.ways.openid) {
    byId("provider").hidden = false;
    byId("provider-link").textContent = "sign in at " + facts.ways.openid;
  }
  if (person) {
    byId("who-name").textContent = facts.name || facts.id;
    byId("who-role").textContent = facts.role ? " (" + facts.role + ")" : "";
    byId("choose-login").value = facts.id;
    byId("choose-why").textContent = facts.must_change ? "The password that you have can only be used to choose another." : "Change your password:";
    if (byId("secret").value) byId("old").value = byId("secret").value;
  }
  const field = first ? "token" : person ? (facts.must_change ? (byId("old").value ? "new" : "old") : "") : "login";
  if (field) byId(field).focus();
}

for (const box of document.querySelectorAll("[data-shows]")) {
  box.addEventListener("change", () => {
    for (const id of box.dataset.shows.split(" ")) byId(id).type = box.checked ? "text" : "password";
  });
}
for (const e of document.querySelectorAll("input[aria-describedby]")) e.dataset.note = e.getAttribute("aria-describedby");

take(byId("sign-in"), byId("secret"), byId("secret"), () => ask("POST", "session", { login: byId("login").value.trim(), secret: byId("secret").value }), begun);
take(byId("choose"), byId("old"), byId("new"), () => ask("PUT", "session/secret", { old: byId("old").value, secret: byId("new").value }), home);
take(byId("set-up"), byId("token"), byId("first"), () => ask("POST", "set-up", {
  token: byId("token").value.trim(), id: byId("id").value.trim(), name: byId("full").value.trim(), secret: byId("first").value,
}), begun);
for (const [id, path] of [["sign-out", "session"], ["everywhere", "session/everywhere"]]) {
  byId(id).addEventListener("click", async () => {
    const answer = await ask("DELETE", path);
    if (answer.status === 200) location.reload();
    else tell(answer);
  });
}
ask("GET", "session").then((facts) => (facts.status === 200 ? show(facts) : tell(facts)));
