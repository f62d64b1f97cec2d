"use strict";
/* The table of findings: folds groups, filters by words and advice, sorts within groups. */
(() => {
  const table = document.getElementById("findings-rows");
  if (!table) return;
  const words = document.getElementById("findings-words"), count = document.getElementById("findings-count");
  const boxes = [...document.querySelectorAll("#findings input[type=checkbox]")];
  const groups = [...table.tBodies].map((body) => ({body, button: body.querySelector("button"),
    name: `${body.id} ${body.rows[0].textContent}`.toLowerCase(),
    rows: [...body.rows].slice(1).map((row) => ({row, text: row.textContent.toLowerCase(),
      verdict: row.dataset.verdict, more: row.classList.contains("more")}))}));
  const total = groups.reduce((sum, group) => sum + group.rows.length, 0);

  /* A number is meant as a whole: 3 is not 35. */
  const asTest = (word) => (/^\d+$/.test(word) ?
    (text) => new RegExp(`(^|[^\\d.])${word}($|[^\\d.])`).test(text) : (text) => text.includes(word));

  function filter() {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean).map(asTest);
    const verdicts = boxes.filter((box) => box.checked).map((box) => box.value);
    const filtered = wanted.length > 0 || verdicts.length < boxes.length;
    let matching = 0;
    for (const group of groups) {
      const open = filtered || group.open;
      let here = 0;
      for (const one of group.rows) {
        const fits = verdicts.includes(one.verdict) &&
          wanted.every((fitsIn) => fitsIn(one.text) || fitsIn(group.name));
        here += fits;
        one.row.hidden = !fits || (one.more && !open);
      }
      group.body.hidden = here === 0;
      group.button.setAttribute("aria-expanded", String(Boolean(open)));
      matching += here;
    }
    count.textContent = `${matching} of ${total} rows` + (filtered ? " match" : "");
  }
  function unfold(group) {
    group.open = !group.open;
    filter();
  }
  function sort(column, heading) {
    const rising = heading.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const value = (row) => {
      const text = row.cells[column].textContent.trim().replace("−", "-");
      const number = parseFloat(text);
      return Number.isNaN(number) ? text : number;
    };
    for (const group of groups) {
      group.rows.sort((one, other) => {
        const [a, b] = [value(one.row), value(other.row)];
        const order = typeof a === typeof b ? (a < b ? -1 : a > b ? 1 : 0) : typeof a === "number" ? -1 : 1;
        return rising ? order : -order;
      });
      group.body.append(...group.rows.map((one) => one.row));
    }
  }
  for (const group of groups) group.button.addEventListener("click", () => unfold(group));
  for (const box of boxes) box.addEventListener("change", filter);
  words.addEventListener("input", filter);
  [...table.tHead.rows[0].cells].forEach((heading, column) =>
    heading.querySelector("button").addEventListener("click", () => sort(column, heading)));
  /* A link to a group opens it; one to a part that is folded away opens that. */
  function reveal() {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    const folded = target.querySelector("details") || target.closest("details");
    if (folded) folded.open = true;
    const group = groups.find((one) => one.body === target);
    if (group && !group.open) unfold(group);
    target.scrollIntoView();
    const first = target.querySelector("summary, button");
    if (first) first.focus({preventScroll: true});
  }
  window.addEventListener("hashchange", reveal);
  window.addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details")) part.open = true;
  });
  filter();
  reveal();
})();
