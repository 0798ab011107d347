// What every page has: settings that this screen keeps, tables that sort.
"use strict";

const at = (id) => document.getElementById(id);
const kept = (key) => { try { return localStorage.getItem(key); } catch { return null; } };
const keep = (key, value) => { try { localStorage.setItem(key, value); } catch { /* a private window */ } };

function toggle(id, apply) {
  const button = at(id);
  const set = (on) => { button.setAttribute("aria-pressed", on); keep(id, on ? "on" : ""); apply(on); };
  button.addEventListener("click", () => set(button.getAttribute("aria-pressed") !== "true"));
  set(kept(id) === "on");
}

// The program is told, too, so that a page comes dark at once, and one without scripts does as well.
toggle("night", (on) => {
  document.documentElement.classList.toggle("night", on);
  document.cookie = `night=${on ? "on" : "off"}; Path=/; Max-Age=31536000; SameSite=Strict`;
});

// A head of a column is a button: it sorts by the column, and back.
for (const table of document.querySelectorAll("table.sortable")) {
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const h of heads) h.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const key = (row) => row.cells[column].dataset.key ?? row.cells[column].textContent.trim();
      const rows = [...table.tBodies[0].rows].sort((a, b) => {
        const x = key(a), y = key(b);
        if (x === "" || y === "") return (x === "") - (y === ""); // what is empty stands last, either way
        const order = isNaN(x) || isNaN(y) ? x.localeCompare(y, "en", { numeric: true }) : x - y;
        return up ? order : -order;
      });
      table.tBodies[0].append(...rows);
    });
  });
}
