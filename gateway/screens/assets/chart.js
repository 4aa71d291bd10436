// Control charts: one point of each is reached with Tab, the others with the arrow keys; what it says is also written below the chart.
for (const chart of document.querySelectorAll("[data-chart]")) {
  const points = [...chart.querySelectorAll("a.point")];
  const out = chart.querySelector(".read-out");
  const plain = (p) => p.classList.contains("passed") && !("signal" in p.dataset);
  const tell = (p) => { out.textContent = p.dataset.says; };

  // next gives the index that a key leads to.
  function next(key, from) {
    const step = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -1, ArrowDown: 1 }[key];
    if (key === "Home") return 0;
    if (key === "End") return points.length - 1;
    let to = from + step;
    if (key === "ArrowUp" || key === "ArrowDown") while (points[to] && plain(points[to])) to += step;
    return points[to] ? to : from;
  }

  points.forEach((p, i) => {
    p.addEventListener("focus", () => {
      for (const other of points) other.setAttribute("tabindex", other === p ? "0" : "-1");
      tell(p);
    });
    p.addEventListener("pointerenter", () => tell(p));
    p.addEventListener("keydown", (e) => {
      if (!["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End"].includes(e.key) || e.altKey || e.ctrlKey || e.metaKey) return;
      e.preventDefault();
      points[next(e.key, i)].focus();
    });
  });

  // On a narrow screen the newest points are seen first: as soon as there is a width, also when the chart is unfolded.
  const across = chart.querySelector(".across");
  new ResizeObserver(() => { across.scrollLeft = across.scrollWidth; }).observe(across);
}
