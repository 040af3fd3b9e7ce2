// Sorts, filters and pages the tables of this report, and draws its figures. No framework, no network.
"use strict";
(() => {
  const STEP = 200, FEW = 12;
  const element = (tag, text, props = {}) => Object.assign(document.createElement(tag), { textContent: text }, props);

  function cellOf(packed, column, style) {
    const [shown, , href] = Array.isArray(packed) ? packed : [packed];
    const cell = document.createElement(column ? "td" : "th");
    if (!column) cell.scope = "row";
    cell.className = style;
    if (Array.isArray(packed)) cell.dataset.key = packed[1];
    if (href) cell.append(element("a", shown, { href })); else cell.textContent = shown;
    return cell;
  }

  const keyOf = (packed) => (Array.isArray(packed) ? packed[1] : packed);

  function compare(a, b) {
    if (a === b) return 0;
    if (a === "") return 1;
    if (b === "") return -1;
    return typeof a === "number" && typeof b === "number" ? a - b : String(a) < String(b) ? -1 : 1;
  }

  function setUp(table) {
    const body = table.tBodies[0];
    const heads = [...table.tHead.rows[0].cells];
    const numeric = heads.map((head) => head.classList.contains("n"));
    const rows = [...body.rows].map((row) => ({
      node: row,
      text: row.textContent.toLowerCase(),
      keys: [...row.cells].map((cell, i) => {
        const key = cell.dataset.key ?? cell.textContent;
        return numeric[i] && key !== "" && !isNaN(key) ? Number(key) : key;
      }),
    }));
    const more = document.getElementById(table.id + "-rest");
    for (const packed of more ? JSON.parse(more.textContent) : []) {
      rows.push({
        packed, keys: packed.map(keyOf),
        text: packed.map((cell) => (Array.isArray(cell) ? cell[0] : cell)).join(" ").toLowerCase(),
      });
    }
    let order = rows.slice(), shown = body.rows.length, wanted = "";
    const told = element("span", "", { role: "status" });
    const button = element("button", "Show more rows", { type: "button", className: "more" });
    const draw = () => {
      const found = wanted ? order.filter((row) => row.text.includes(wanted)) : order;
      body.replaceChildren(...found.slice(0, shown).map((row) => {
        if (!row.node) {
          row.node = document.createElement("tr");
          row.node.append(...row.packed.map((cell, i) => cellOf(cell, i, heads[i].className)));
        }
        return row.node;
      }));
      told.textContent = `${Math.min(shown, found.length)} of ${found.length} rows shown`;
      button.hidden = shown >= found.length;
    };
    heads.forEach((head, i) => {
      const sorter = element("button", head.textContent, { type: "button" });
      head.replaceChildren(sorter);
      sorter.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        heads.forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        order = rows.slice().sort((a, b) => {
          if (a.keys[i] === "" || b.keys[i] === "") return compare(a.keys[i], b.keys[i]);
          return up ? compare(a.keys[i], b.keys[i]) : compare(b.keys[i], a.keys[i]);
        });
        draw();
      });
    });
    const label = element("label", "Filter ");
    const input = element("input", "", { type: "search", autocomplete: "off" });
    label.append(input);
    input.addEventListener("input", () => { wanted = input.value.trim().toLowerCase(); draw(); });
    button.addEventListener("click", () => { shown += STEP; draw(); });
    const tools = element("div", "", { className: "tools" });
    tools.append(label, told);
    const box = table.closest(".scroll");
    if (rows.length > FEW) box.before(tools);
    box.after(button);
    document.getElementById(table.id + "-note")?.remove();
    draw();
  }

  function drawFigures() {
    const style = getComputedStyle(document.documentElement);
    const paint = (_, name) => JSON.stringify(style.getPropertyValue("--" + name).trim());
    for (const block of document.querySelectorAll("script.figure-data")) {
      const { data, layout } = JSON.parse(block.textContent.replace(/"@([a-z-]+)"/g, paint));
      layout.font.family = getComputedStyle(document.body).fontFamily;
      const place = document.getElementById(block.dataset.figure);
      if (!place.classList.contains("drawn")) place.replaceChildren();
      place.classList.add("drawn");
      Plotly.react(place, data, layout, {
        showSendToCloud: false, displaylogo: false, responsive: true, displayModeBar: false,
      });
    }
  }

  // the style sheet can only guess which tables are wider than their place; here it is measured
  function tellSideways() {
    for (const note of document.querySelectorAll(".sideways")) {
      let box = note.nextElementSibling;
      while (box && !box.classList.contains("scroll")) box = box.nextElementSibling;
      if (box?.clientWidth) note.hidden = !(note.classList.toggle("always", box.scrollWidth > box.clientWidth + 1));
    }
  }

  for (const table of document.querySelectorAll("table.sortable")) setUp(table);
  tellSideways();
  addEventListener("resize", tellSideways);
  document.addEventListener("toggle", tellSideways, true);
  if (typeof Plotly !== "undefined") {
    const onPaper = (paper) => () => {
      document.documentElement.toggleAttribute("data-paper", paper);
      drawFigures();
    };
    drawFigures();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawFigures);
    addEventListener("beforeprint", onPaper(true));
    addEventListener("afterprint", onPaper(false));
  }
})();
