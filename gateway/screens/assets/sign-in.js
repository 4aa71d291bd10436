// Signing in, another password, and the first account. What a person types goes to weighpost and is kept nowhere.
for (const box of document.querySelectorAll("[data-shows]")) {
  box.addEventListener("change", () => {
    for (const id of box.dataset.shows.split(" ")) document.getElementById(id).type = box.checked ? "text" : "password";
  });
}

// Whoever has to choose another password does so before anything else, and need not type the one again that was just good.
document.getElementById("sign-in")?.addEventListener("done", (e) => {
  if (!e.detail.must_change) return;
  e.preventDefault();
  const choose = document.getElementById("choose");
  document.getElementById("old").value = document.getElementById("secret").value;
  choose.querySelector("[autocomplete=username]").value = document.getElementById("login").value;
  for (const e of document.querySelectorAll("#sign-in, #badge")) e.hidden = true;
  choose.hidden = false;
  document.querySelector("h1").textContent = "Choose another password";
  document.getElementById("new").focus();
});
