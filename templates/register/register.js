"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const table = byId("units");
  const heads = [...table.tHead.rows[0].cells];
  const body = table.tBodies[0];
  const rows = [...body.rows];
  const [form, search, verdict, kind, order, status, none] =
    ["controls", "search", "verdict", "kind", "order", "status", "none"].map(byId);

  // Natural order, so that unit 10 follows unit 9.
  const text = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

  function compare(column, sign) {
    const number = heads[column].dataset.sortedAs === "number";
    return (a, b) => {
      const [x, y] = [a.cells[column].dataset.sort, b.cells[column].dataset.sort];
      if (x === "" || y === "") return (x === "") - (y === ""); // what is missing stays last, whichever way
      return sign * (number ? Number(x) - Number(y) : text.compare(x, y));
    };
  }

  function sort(column, direction) {
    heads.forEach((head, place) => {
      if (place === column) head.setAttribute("aria-sort", direction);
      else head.removeAttribute("aria-sort");
    });
    rows.sort(compare(column, direction === "ascending" ? 1 : -1));
    body.append(...rows);
    order.value = String(column);
  }

  function filter() {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of rows) {
      const match = words.every((word) => row.dataset.search.includes(word)) &&
        (!verdict.value || row.dataset.verdict === verdict.value) &&
        (!kind.value || row.dataset.kind === kind.value);
      row.hidden = !match;
      shown += match;
    }
    none.hidden = shown > 0;
    status.textContent = `${shown} of ${rows.length} units shown`;
  }

  heads.forEach((head, column) => {
    const button = head.querySelector("button");
    if (!button) return;
    button.addEventListener("click", () => {
      sort(column, head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending");
    });
  });
  order.addEventListener("change", () => sort(Number(order.value), "ascending"));
  form.addEventListener("input", filter);
  form.addEventListener("change", filter);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(() => { sort(0, "ascending"); filter(); search.focus(); }));
  form.hidden = false;
  filter();
})();
