// A run that was begun of a request is gone on with at once.
document.getElementById("begin-request")?.addEventListener("done", (e) => {
  e.preventDefault();
  location.assign("/runs/" + encodeURIComponent(e.detail.id));
});
