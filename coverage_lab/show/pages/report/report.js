"use strict";
// Sorting, filtering and enlarging. The page says all it has to say without this.
document.documentElement.classList.add("live");

const table = document.getElementById("table");
const body = table.tBodies[0];
const rows = [...body.rows];

function cellValue(row, column) {
  const cell = row.cells[column];
  if (cell.dataset.value !== undefined) return Number(cell.dataset.value);
  return cell.classList.contains("n") ? null : cell.textContent.trim();
}

function sortBy(head, column) {
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const names = new Intl.Collator(undefined, { numeric: true });
  rows.sort((one, two) => {
    const [a, b] = [cellValue(one, column), cellValue(two, column)];
    if (a === null || b === null) return (a === null) - (b === null); // what has no number comes last, either way
    const order = typeof a === "number" && typeof b === "number" ? a - b : names.compare(a, b);
    return down ? -order : order;
  });
  body.append(...rows);
}

[...table.tHead.rows[0].cells].forEach((head, column) => {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  button.addEventListener("click", () => sortBy(head, column));
  head.append(button);
});

const filters = [...document.querySelectorAll("[data-filter]")];

function filter() {
  let shown = 0;
  for (const row of rows) {
    const fits = filters.every((field) => {
      const has = row.dataset[field.dataset.filter];
      return !field.value || (field.type === "search" ? has.includes(field.value.trim()) : has === field.value);
    });
    row.hidden = !fits;
    shown += fits;
  }
  document.getElementById("count").textContent = `${shown} of ${rows.length} runs`;
}
for (const field of filters) field.addEventListener("input", filter);
document.getElementById("filters").addEventListener("submit", (event) => event.preventDefault());
filter();

const large = document.getElementById("large");
for (const link of document.querySelectorAll("a.enlarge")) {
  link.addEventListener("click", (event) => {
    if (event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const picture = large.querySelector("img");
    const name = link.closest("article").querySelector("h4").textContent;
    picture.src = link.href;
    picture.alt = link.querySelector("img") ? `${name}: the annotated picture` : `${name}: ${link.textContent}`;
    large.querySelector("p").textContent = name;
    large.showModal();
  });
}
