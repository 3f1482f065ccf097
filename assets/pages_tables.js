/* The table of points: rows are built once, then only their changed cells are touched. */
(() => {
  "use strict";

  const { one, make, machine, say, shown, fillValue, age, addressed, onPaint, onPage } = window.plantviewPages;

  let points = null;
  const pointRows = new Map();

  const pointRow = (point) => {
    const cells = {
      value: make("td", { class: "value", tabindex: "0", role: "button", "data-signal": point.point }), unit: make("td", { class: "quiet" }),
      quality: make("td"), reason: make("td", { class: "wide" }), age: make("td", { class: "value quiet" }),
    };
    const row = make("tr", {}, make("th", { scope: "row" }, machine(point.equipment)), make("td", {}, point.label),
      cells.value, cells.unit, cells.quality, cells.reason, cells.age,
      make("td", {}, point.derived ? "calculated" : point.device), make("td", { class: "quiet" }, point.address));
    row.dataset.words = [point.point, point.label, point.device, point.address, point.derived ? "calculated" : "measured"].join(" ").toLowerCase();
    return { row, cells, point };
  };

  const readPoints = async () => {
    const body = one("#points-rows");
    const answer = await fetch("/api/v1/points");
    points = await answer.json();
    pointRows.clear();
    for (const point of points) pointRows.set(point.point, pointRow(point));
    body.replaceChildren(...[...pointRows.values()].map(({ row }) => row));
    paintPoints(window.plantview.state);
    applyFilter();
  };

  const paintPoints = (state) => {
    if (!one("#points-rows") || !points || !state.signals) return;
    for (const [name, { cells }] of pointRows) {
      const value = shown(name, state);
      fillValue(cells.value, value, false);
      say(cells.unit, value.number === "" ? "" : value.unit);
      say(cells.quality, value.quality);
      cells.quality.className = value.quality === "GOOD" ? "quiet" : "quality";
      say(cells.reason, value.reason);
      say(cells.age, age(value.age_s));
    }
  };

  const applyFilter = () => {
    const words = one("#filter").value.toLowerCase().split(/\s+/).filter(Boolean);
    let left = 0;
    for (const { row, cells } of pointRows.values()) {
      const text = `${row.dataset.words} ${cells.quality.textContent.toLowerCase()}`;
      row.hidden = !words.every((word) => text.includes(word));
      left += row.hidden ? 0 : 1;
    }
    say(one("#point-count"), `${left} of ${pointRows.size} values`);
    one("#point-none").hidden = left > 0;
  };

  onPage(() => {
    if (one("#points-rows")) {
      const box = make("input", { id: "filter", type: "search", placeholder: "CH-1 temp, stale, BC-2 …", autocomplete: "off" });
      one("#filter-box").append(box);
      addressed(box, "show").addEventListener("input", applyFilter);
      readPoints();
    }
  });

  onPaint((message, state) => {
    if (message.kind === "snapshot" && points && Object.keys(state.signals).length !== points.length) readPoints();
    paintPoints(state);
    if (one("#filter")?.value) applyFilter(); // a value that has gone stale since then is wanted too
  });
})();
