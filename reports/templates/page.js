// Tables that sort and filter, charts that say their values, one buyer at a time. Every page is whole without it.
"use strict";
(() => {
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const make = (tag, properties = {}, ...children) => {
    const made = Object.assign(document.createElement(tag), properties);
    made.append(...children);
    return made;
  };
  const spoken = make("p", { className: "unseen" });
  spoken.setAttribute("role", "status");
  document.body.append(spoken);

  // A page does not know the date until it is read.
  for (const made of all("[data-until]")) {
    const days = Math.floor((Date.now() - Date.parse(made.dataset.until)) / 86400000);
    if (days > 0) made.after(make("p", { className: "private", textContent: `These prices have been out of date for ${days === 1 ? "a day" : `${days} days`}.` }));
  }

  // Sorting. Figures, dates and words; cells without a value come last either way.
  const day = /^\d{1,2} [A-Z][a-z]+ \d{4}$/;
  const key = (cell, isNumber) => {
    if (cell.dataset.sort) return Number(cell.dataset.sort);
    const text = cell.textContent.trim();
    if (!text || text === "\u2013") return null;
    if (day.test(text)) return Date.parse(text + " UTC");
    if (!isNumber) return text.toLowerCase();
    const found = text.replace(/\u2212/g, "-").replace(/,(?=\d)/g, "").match(/[-+]?\d+(\.\d+)?/);
    return found && /^(at least |[^a-z]*$|[^a-z]*[0-9])/i.test(text) ? Number(found[0]) : null;
  };
  const compared = (a, b) => (typeof a === "string" && typeof b === "string" ? a.localeCompare(b) : a < b ? -1 : a > b ? 1 : 0);
  const sort = (table, heading) => {
    const at = heading.cellIndex;
    const down = heading.getAttribute("aria-sort") === "ascending";
    const isNumber = heading.classList.contains("number");
    const rows = all("tbody tr", table).map((row) => [key(row.cells[at], isNumber), row]);
    rows.sort(([a], [b]) => (a === null) - (b === null) || (a === null ? 0 : (down ? -1 : 1) * compared(a, b)));
    table.tBodies[0].append(...rows.map(([, row]) => row));
    all("th[aria-sort]", table).forEach((other) => other.removeAttribute("aria-sort"));
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
    spoken.textContent = `Sorted by ${heading.textContent.trim()}, ${down ? "falling" : "rising"}.`;
  };
  for (const table of all(".box table")) {
    if (!table.tBodies[0] || table.tBodies[0].rows.length < 3) continue;
    for (const heading of table.tHead.rows[0].cells) {
      if (heading.dataset.sort === "none") continue;
      const button = make("button", { type: "button", className: "sort" }, ...heading.childNodes);
      button.addEventListener("click", () => sort(table, heading));
      heading.append(button);
    }
  }

  // Filtering long tables by words.
  for (const box of all(".box")) {
    const rows = all("tbody tr", box);
    if (rows.length <= 12) continue;
    const field = make("input", { type: "search" });
    const found = make("output", { className: "soft" });
    const name = box.getAttribute("aria-label");
    const label = make("label", { className: "filter" }, make("span", { className: "unseen" }, `Filter: ${name}`), field, found);
    field.placeholder = "Filter";
    field.addEventListener("input", () => {
      const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
      let count = 0;
      for (const row of rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !words.every((word) => text.includes(word));
        count += !row.hidden;
      }
      found.value = words.length ? `${count} of ${rows.length}` : "";
    });
    box.before(label);
  }

  // Charts over dates: the nearest date's values, by pointer, touch or arrow keys.
  for (const figure of all("figure[data-at]")) {
    const svg = figure.querySelector("svg");
    const places = figure.dataset.at.split(" ").map(Number);
    const table = figure.querySelector("details table");
    const names = all("thead th", table).map((cell) => cell.textContent.trim());
    const rows = [...table.tBodies[0].rows].map((row) => [...row.cells].map((cell) => cell.textContent.trim()));
    const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
    const mark = document.createElementNS(svg.namespaceURI, "line");
    const said = make("output", { className: "said", textContent: "\u00a0" });
    const drawing = figure.querySelector(".drawing");
    let at = places.length - 1;
    const show = (place) => {
      at = Math.max(0, Math.min(places.length - 1, place));
      for (const [name, value] of Object.entries({ x1: places[at], x2: places[at], y1: 0, y2: height - 20, stroke: "currentColor", "stroke-width": 1, "stroke-dasharray": "1 3" })) mark.setAttribute(name, value);
      svg.append(mark);
      said.textContent = `${rows[at][0]}: ${rows[at].slice(1).map((value, n) => `${names[n + 1]} ${value}`).join(", ")}`;
    };
    const pointed = (event) => {
      const box = svg.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * width;
      show(places.reduce((best, place, n) => (Math.abs(place - x) < Math.abs(places[best] - x) ? n : best), 0));
    };
    drawing.tabIndex = 0;
    drawing.setAttribute("role", "group");
    drawing.setAttribute("aria-label", `${figure.querySelector("figcaption").textContent}: arrow keys read the values`);
    drawing.addEventListener("pointermove", pointed);
    drawing.addEventListener("pointerdown", pointed);
    drawing.addEventListener("focus", () => show(at));
    drawing.addEventListener("keydown", (event) => {
      const to = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: places.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      show(to);
    });
    drawing.after(said);
  }

  // The buyer that was chosen goes along to the pages that are opened from here, in their addresses and nowhere else.
  const buyers = all("input[name=buyer]");
  const links = all("a[href$='.html']");
  const pass = () => {
    const chosen = buyers.find((radio) => radio.checked);
    for (const link of links) link.hash = chosen && chosen !== buyers[0] ? chosen.id : "";
  };
  const asked = document.getElementById(location.hash.slice(1));
  if (buyers.includes(asked)) asked.checked = true;
  for (const radio of buyers) radio.addEventListener("change", pass);
  if (buyers.length) pass();
})();
