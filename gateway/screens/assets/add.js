// Beginning to add a balance: the page of the visit is the next one.
document.getElementById("begin")?.addEventListener("done", (e) => {
  e.preventDefault();
  location.assign("/add/" + encodeURIComponent(e.detail.id));
});
