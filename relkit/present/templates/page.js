"use strict";
(() => {
  // Figures: drawn when they come into view, all of those that are shown before printing.
  const store = JSON.parse(document.getElementById("figures").textContent);
  const narrow = () => window.innerWidth < 720;
  function draw(box) {
    if (box.dataset.drawn || !box.offsetParent) return;
    const figure = store.figures[box.dataset.figure];
    if (!figure) return;
    box.dataset.drawn = "yes";
    const layout = Object.assign({}, figure.layout, { template: store.template, autosize: true });
    if (narrow()) {
      layout.font = { size: 11 };
      layout.xaxis = Object.assign({}, layout.xaxis, { nticks: 3, tickangle: 0 });
    }
    Plotly.newPlot(box, figure.data, layout, {
      responsive: true, displaylogo: false, displayModeBar: narrow() ? false : "hover",
      modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"],
    });
  }
  const boxes = [...document.querySelectorAll("[data-figure]")];
  const seen = new IntersectionObserver(
    (entries) => entries.forEach((entry) => entry.isIntersecting && draw(entry.target)),
    { rootMargin: "400px" });
  boxes.forEach((box) => seen.observe(box));
  window.addEventListener("beforeprint", () => {
    boxes.forEach(draw);
    document.querySelectorAll("[data-drawn]").forEach((box) => Plotly.Plots.resize(box));
  });

  // One item's curves at a time.
  const pick = document.getElementById("pick");
  if (pick) pick.addEventListener("change", () => {
    document.querySelectorAll("[data-panel]").forEach((panel) => {
      panel.hidden = panel.dataset.panel !== pick.value;
      if (!panel.hidden) panel.querySelectorAll("[data-figure]").forEach(draw);
    });
  });

  // Tables: sort by a heading, find words, choose a state, show the first rows or all of them.
  const order = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });
  function key(row, column) {
    const cell = row.cells[column];
    return cell.dataset.v !== undefined ? Number(cell.dataset.v) : cell.textContent.trim();
  }
  function compare(a, b) {
    const number = [typeof a === "number", typeof b === "number"];
    if (number[0] && number[1]) return a - b;
    if (number[0] !== number[1]) return number[0] ? -1 : 1; // what has no number comes last
    return order.compare(a, b);
  }
  function sort(table, column, heading) {
    const falling = heading.getAttribute("aria-sort") === "ascending";
    table.querySelectorAll("th").forEach((other) => other.removeAttribute("aria-sort"));
    heading.setAttribute("aria-sort", falling ? "descending" : "ascending");
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => [key(row, column), row]);
    rows.sort((a, b) => {
      const both = typeof a[0] === typeof b[0];
      return compare(a[0], b[0]) * (falling && both ? -1 : 1);
    });
    body.append(...rows.map((pair) => pair[1]));
  }
  function setUp(table) {
    const name = table.id.replace("table-", "");
    const find = document.querySelector(`[data-find="${name}"]`);
    const count = document.querySelector(`[data-count="${name}"]`);
    const told = count.textContent;
    const total = table.tBodies[0].rows.length;
    const states = name === "due" ? [...document.querySelectorAll("[data-state]")] : [];
    let limit = Number(table.dataset.first) || Infinity;
    const more = document.createElement("button");
    more.type = "button";
    more.className = "more";
    table.parentElement.after(more);
    function show() {
      const wanted = find ? find.value.trim().toLowerCase() : "";
      const chosen = states.filter((b) => b.getAttribute("aria-pressed") === "true");
      const allowed = chosen.map((b) => b.dataset.state);
      let matches = 0;
      for (const row of table.tBodies[0].rows) {
        const fits = (!wanted || row.textContent.toLowerCase().includes(wanted))
          && (!allowed.length || allowed.includes(row.cells[0].textContent.trim()));
        if (fits) matches += 1;
        row.hidden = !fits || matches > limit;
      }
      more.hidden = matches <= limit;
      more.textContent = `Show all ${matches.toLocaleString("en")} rows`;
      count.textContent = matches === total ? told : `${matches.toLocaleString("en")} of ${total.toLocaleString("en")} rows`;
    }
    more.addEventListener("click", () => { limit = Infinity; show(); });
    if (find) find.addEventListener("input", show);
    states.forEach((button) => button.addEventListener("click", () => {
      button.setAttribute("aria-pressed", button.getAttribute("aria-pressed") !== "true");
      show();
    }));
    table.querySelectorAll("thead th").forEach((heading, column) => {
      heading.querySelector("button").addEventListener("click", () => { sort(table, column, heading); show(); });
    });
    show();
  }
  document.querySelectorAll("table.data").forEach(setUp);
})();
