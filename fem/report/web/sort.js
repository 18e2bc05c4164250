// The table of cases sorts by a column: numbers as numbers, words as words, what has no number last.
const table = document.getElementById("cases"), body = table.tBodies[0];
table.querySelectorAll(".sort").forEach((button) => button.addEventListener("click", () => {
  const column = Number(button.dataset.column), head = button.parentElement;
  const falling = head.getAttribute("aria-sort") === "ascending";
  table.querySelectorAll("thead th").forEach((cell) => cell.setAttribute("aria-sort", "none"));
  head.setAttribute("aria-sort", falling ? "descending" : "ascending");
  const key = (row) => {
    const cell = row.cells[column], number = cell.dataset.value;
    return number === undefined || number === "" ? cell.textContent.trim() : Number(number);
  };
  const none = (value) => value === "\u2013";
  const order = (a, b) => {
    const x = key(a), y = key(b);
    if (none(x) || none(y)) return none(x) - none(y);
    const way = typeof x === "number" && typeof y === "number" ? x - y : String(x).localeCompare(String(y));
    return falling ? -way : way;
  };
  [...body.rows].sort(order).forEach((row) => body.append(row));
}));
