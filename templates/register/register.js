"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const { columns, rows: given } = JSON.parse(byId("data").textContent);
  const table = byId("units");
  const region = table.parentElement;
  const heads = [...table.tHead.rows[0].cells];
  const [form, search, verdict, kind, order, direction, status, none] =
    ["controls", "search", "verdict", "kind", "order", "direction", "status", "none"].map(byId);
  // A row is made when it comes near the window. Rows are made and taken away in blocks of so many.
  const BLOCK = 40;
  const MOST_CONSTANTS = 5;
  // Natural order, so that unit 10 follows unit 9.
  const natural = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

  // ----- The rows as data

  function words(piece) {
    if (typeof piece === "string") return piece;
    const [what, ...parts] = piece;
    if (what === "link") return parts[1];
    if (what === "name") return parts[0];
    if (what === "doubt") return parts[1];
    return parts.map(words).join(" ");
  }
  const rows = given.map(([verdict, kind, cells]) => ({ verdict, kind, cells, text: null }));

  // What a search looks through is made while nothing else is to do, or when a search asks for it first.
  function textOf(row) {
    if (row.text === null) {
      const found = [row.verdict, row.kind, ...row.cells.flatMap((cell) => cell.slice(1).map(words))];
      row.text = found.join(" ").toLowerCase();
    }
    return row.text;
  }
  const unread = [...rows];
  function readAhead(deadline) {
    while (unread.length && deadline.timeRemaining() > 1) unread.splice(-50).forEach(textOf);
    if (unread.length) requestIdleCallback(readAhead);
  }
  let matched = rows;
  let shownColumns = columns.map((_, place) => place);
  let sorted = { column: 0, sign: 1 };

  // Text is ranked once for each column: to compare two ranks is quick, to compare two texts is not.
  const ranks = new Map();
  function ranksOf(column) {
    if (!ranks.has(column)) {
      const keys = rows.map((row) => row.cells[column][0]);
      let found = keys;
      if (columns[column].sort !== "number") {
        const known = [...new Set(keys)].sort(natural.compare);
        const rank = new Map(known.map((key, place) => [key, place]));
        found = keys.map((key) => (key === "" ? "" : rank.get(key)));
      }
      ranks.set(column, new Map(rows.map((row, place) => [row, found[place]])));
    }
    return ranks.get(column);
  }

  function sortRows() {
    const rank = ranksOf(sorted.column);
    rows.sort((a, b) => {
      const [x, y] = [rank.get(a), rank.get(b)];
      if (x === "" || y === "") return (x === "") - (y === ""); // what is missing stays last, whichever way
      return sorted.sign * (x - y);
    });
  }

  function matchRows() {
    const wanted = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    matched = rows.filter((row) =>
      wanted.every((word) => textOf(row).includes(word)) &&
      (!verdict.value || row.verdict === verdict.value) &&
      (!kind.value || row.kind === kind.value));
  }

  // A column that has nothing for these rows is left out; of the constants they have, the first few are shown.
  function chooseColumns() {
    let constants = 0;
    const from = matched.length ? matched : rows;
    shownColumns = columns.map((_, place) => place).filter((place) => {
      if (place < 2) return true;
      if (!from.some((row) => row.cells[place][0] !== "")) return false;
      return !columns[place].constant || ++constants <= MOST_CONSTANTS;
    });
    heads.forEach((head, place) => { head.hidden = !shownColumns.includes(place); });
    [...order.options].forEach((option) => { option.hidden = !shownColumns.includes(Number(option.value)); });
  }

  // ----- What is seen of them

  function element(name, className, ...children) {
    const made = document.createElement(name);
    if (className) made.className = className;
    made.append(...children);
    return made;
  }

  function link(href, text, label, className) {
    const made = element("a", className, text);
    made.setAttribute("href", href);
    if (label) made.setAttribute("aria-label", label);
    return made;
  }

  function shown(piece) {
    if (typeof piece === "string") return piece;
    const [what, ...parts] = piece;
    switch (what) {
      case "about": return element("span", "about", ...parts.map(shown));
      case "whole": return element("span", "n", parts[0]);
      case "number": return element("span", "", ...parts.flatMap((part, place) => [place ? " " : "", element("span", "n", part)]));
      case "link": return link(parts[0], parts[1], parts[2]);
      case "doubt": return link(parts[0], parts[1], "", "doubt");
      case "name": {
        const name = element("span", "name", parts[0]);
        return parts[1] ? element("span", "", link(parts[1], name, parts[2])) : name;
      }
      case "verdict": {
        const mark = byId(`mark-${parts[0].replace(" ", "-")}`).content.cloneNode(true);
        return element("span", `verdict v-${parts[0].replace(" ", "-")}`, mark, ` ${parts[0]}`);
      }
    }
    throw new Error(`no such piece: ${what}`);
  }

  function made(row, place) {
    const line = element("tr");
    line.setAttribute("role", "row");
    line.setAttribute("aria-rowindex", String(place + 2));
    line.dataset.verdict = row.verdict;
    for (const column of shownColumns) {
      const [sort, ...pieces] = row.cells[column];
      const first = column === 0;
      const cell = element(first ? "th" : "td");
      cell.setAttribute("role", first ? "rowheader" : "cell");
      if (first) {
        cell.scope = "row";
        cell.append(...pieces.map(shown));
      } else {
        if (columns[column].constant) cell.className = "value";
        if (sort === "" && columns[column].sort) cell.dataset.empty = "";
        const label = element("span", "label", ...heads[column].querySelector(".title").cloneNode(true).childNodes);
        cell.append(label, element("span", "content", ...pieces.map(shown)));
      }
      line.append(cell);
    }
    return line;
  }

  // ----- Blocks of rows, there while they are near the window

  let heightOfRow = 70;
  const near = new IntersectionObserver((seen) => {
    for (const { target, isIntersecting } of seen) (isIntersecting ? fill : empty)(target);
  }, { rootMargin: "1200px 0px" });

  function fill(block) {
    if (!block.classList.contains("away")) return;
    const first = Number(block.dataset.first);
    block.classList.remove("away");
    block.removeAttribute("aria-hidden");
    block.replaceChildren(...matched.slice(first, first + BLOCK).map((row, place) => made(row, first + place)));
  }

  function empty(block) {
    // What holds the focus stays, and so does the last, by which the focus comes in from below.
    if (block.classList.contains("away") || block === table.tBodies[table.tBodies.length - 1]) return;
    if (block.contains(document.activeElement)) return;
    leave(block, block.getBoundingClientRect().height);
  }

  function leave(block, height) {
    const place = element("td");
    place.colSpan = shownColumns.length;
    place.style.height = `${height}px`;
    block.classList.add("away");
    block.setAttribute("aria-hidden", "true");
    block.replaceChildren(element("tr", "", place));
  }

  function draw() {
    near.disconnect();
    for (const body of [...table.tBodies]) body.remove();
    table.setAttribute("aria-rowcount", String(matched.length + 1));
    const blocks = [];
    for (let first = 0; first < matched.length; first += BLOCK) {
      const block = element("tbody", "away");
      block.setAttribute("role", "rowgroup");
      block.dataset.first = String(first);
      blocks.push(block);
    }
    if (!blocks.length) return;
    table.append(blocks[0]);
    fill(blocks[0]);
    heightOfRow = blocks[0].getBoundingClientRect().height / Math.min(BLOCK, matched.length);
    for (const block of blocks.slice(1)) {
      leave(block, heightOfRow * Math.min(BLOCK, matched.length - Number(block.dataset.first)));
    }
    table.append(...blocks.slice(1));
    fill(blocks[blocks.length - 1]);
    // The region takes the focus where the arrow keys have something to scroll.
    if (region.scrollWidth > region.clientWidth) region.tabIndex = 0;
    else if (region !== document.activeElement) region.removeAttribute("tabindex");
    for (const block of blocks) near.observe(block);
  }

  function renew() {
    matchRows();
    chooseColumns();
    draw();
    none.hidden = matched.length > 0;
    status.textContent = `${matched.length} of ${rows.length} units shown`;
  }

  function sort(column, way) {
    heads.forEach((head, place) => {
      if (place === column) head.setAttribute("aria-sort", way);
      else head.removeAttribute("aria-sort");
    });
    sorted = { column, sign: way === "ascending" ? 1 : -1 };
    order.value = String(column);
    direction.value = way;
    sortRows();
    renew();
  }

  heads.forEach((head, column) => {
    const button = head.querySelector("button");
    if (!button) return;
    button.addEventListener("click", () => {
      sort(column, head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending");
    });
  });
  for (const choice of [order, direction]) {
    choice.addEventListener("change", () => sort(Number(order.value), direction.value));
  }
  search.addEventListener("input", renew);
  for (const choice of [verdict, kind]) choice.addEventListener("change", renew);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", (event) => {
    event.preventDefault();
    search.value = verdict.value = kind.value = "";
    sort(0, "ascending");
    search.focus();
  });
  let width = window.innerWidth;
  window.addEventListener("resize", () => {
    if (window.innerWidth !== width) { width = window.innerWidth; draw(); }
  });
  // Paper has no window: all rows are made.
  window.addEventListener("beforeprint", () => { near.disconnect(); [...table.tBodies].forEach(fill); });
  window.addEventListener("afterprint", draw);
  form.hidden = false;
  renew(); // the rows come in the order of their names
  if (window.requestIdleCallback) requestIdleCallback(readAhead);
})();
