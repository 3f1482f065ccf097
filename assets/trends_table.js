/* Trends in words and numbers: the values shown with what the cursor stands on, the chooser, the events, the table. */
(() => {
  "use strict";

  const { one, make, say, moment, zoneName, onPage } = window.plantviewPages;
  const trends = window.plantviewTrends;
  const { view, state, GAP, NOTHING, SECOND } = trends;
  const ROWS_MAX = 240;
  const QUALITY = ["", "uncertain", "stale", "in part without value", "gap", ""];

  const time = (ms) => moment(ms, window.plantview.nowMs());
  const full = (ms) => `${new Intl.DateTimeFormat("en-GB", {
    timeZone: state().zone || "UTC", weekday: "short", day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
  }).format(ms).replace(",", "")} ${zoneName(ms)}`;

  /* --- one row per value ------------------------------------------------------------------------------ */
  const sample = (look) => {
    const line = make("svg", { class: "trend-sample", viewBox: "0 0 34 8", "aria-hidden": "true", "data-water": look.water });
    line.append(make("line", { x1: 1, x2: 33, y1: 4, y2: 4, "stroke-dasharray": look.dash.join(" ") }));
    return line;
  };

  const chip = (name, look) => {
    const away = make("button", { type: "button", class: "away", "aria-label": `Take ${trends.shortName(name)} away` }, "×");
    away.addEventListener("click", () => { trends.choose(name, false); one("#trend-choose").focus(); });
    return make("div", { class: "trend-line", "data-name": name }, sample(look), make("span", { class: "who", title: name }, trends.shortName(name)),
      make("span", { class: "now" }), make("span", { class: "range quiet" }), away);
  };

  const buildLines = () => {
    const looks = trends.looks();
    one("#trend-lines").replaceChildren(make("span", { class: "at" }), ...view.points.map((name) => chip(name, looks[name])));
  };

  const ends = (series) => {
    let low = Infinity, high = -Infinity;
    series.quality.forEach((mark, at) => {
      if (mark >= GAP || series.low[at] === undefined || series.low[at] === null) return;
      low = Math.min(low, series.low[at]);
      high = Math.max(high, series.high[at]);
    });
    return low <= high ? [low, high] : null;
  };

  const said = (series, at, whole = true) => {
    const found = at === null ? null : trends.nearest(series, at);
    if (found === null) return "?";
    const doubt = QUALITY[series.quality[found]];
    const [low, mid, high] = [series.low, series.mid, series.high].map((numbers) => trends.words(series.name, numbers[found], false));
    const unit = trends.isState(state().signals[series.name]) ? "" : ` ${trends.unitOf(state().signals[series.name])}`;
    const spread = !whole || low === high || low === undefined ? "" : ` (${low} to ${high})`;
    return `${mid}${spread}${unit}${doubt ? ` ${doubt}` : ""}`;
  };

  const newest = (series) => {
    for (let at = series.quality.length - 1; at >= 0; at -= 1) if (series.quality[at] !== NOTHING) return at;
    return null;
  };

  const showReadout = (cursor) => {
    const data = trends.data();
    if (!data) return;
    if (one("#trend-lines").dataset.shown !== linesKey()) { one("#trend-lines").dataset.shown = linesKey(); buildLines(); }
    for (const series of data.series) {
      const row = [...one("#trend-lines").children].find((node) => node.dataset.name === series.name);
      if (!row) continue;
      const at = cursor ?? newest(series);
      say(one(".now", row), said(series, at, at === cursor));
      const found = trends.isState(state().signals[series.name]) ? null : ends(series);
      say(one(".range", row), found ? `${trends.words(series.name, found[0], false)} … ${trends.words(series.name, found[1], false)}` : "");
    }
    say(one("#trend-lines > .at"), cursor === null || cursor === undefined || !data.at.length ? "Newest (lowest … highest)" : `${full(data.at[cursor] * SECOND)}`);
  };
  const linesKey = () => JSON.stringify([trends.looks(), state().units]);

  const tellCursor = (cursor) => {
    const data = trends.data();
    if (!data || cursor === null) return;
    say(one("#trend-said"), `${full(data.at[cursor] * SECOND)}: ${data.series.map((series) => `${trends.shortName(series.name)} ${said(series, cursor)}`).join("; ")}`);
  };

  /* --- choosing by equipment or by words --------------------------------------------------------------------- */
  const buildChooser = () => {
    const box = one("#trend-chooser");
    const search = make("input", { id: "trend-search", type: "search", placeholder: "CH-1 temp, flow, kw/ton …", autocomplete: "off" });
    const groups = new Map();
    for (const [name, signal] of Object.entries(state().signals)) groups.set(signal.equipment, [...(groups.get(signal.equipment) || []), name]);
    const lists = [...groups].map(([equipment, names]) => {
      const rows = names.map((name) => {
        const tick = make("input", { type: "checkbox", "data-name": name });
        tick.checked = view.points.includes(name);
        tick.addEventListener("change", () => { if (!trends.choose(name, tick.checked)) tick.checked = false; });
        const row = make("label", { "data-words": `${name} ${state().signals[name].label} ${state().signals[name].q}`.toLowerCase() }, tick, ` ${state().signals[name].label}`);
        return row;
      });
      return make("fieldset", {}, make("legend", {}, equipment), ...rows);
    });
    search.addEventListener("input", () => {
      const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
      for (const list of lists) {
        let left = 0;
        for (const row of list.querySelectorAll("label")) {
          row.hidden = !words.every((word) => row.dataset.words.includes(word));
          left += row.hidden ? 0 : 1;
        }
        list.hidden = !left;
      }
    });
    const close = make("button", { type: "button" }, "Done");
    close.addEventListener("click", () => toggleChooser());
    box.replaceChildren(make("div", { class: "filter" }, make("label", { for: "trend-search" }, "Show only"), search, close), make("div", { class: "trend-groups" }, ...lists));
    box.addEventListener("keydown", (event) => { if (event.key === "Escape") toggleChooser(); });
  };

  const toggleChooser = () => {
    const box = one("#trend-chooser"), opening = box.hidden;
    if (opening) buildChooser();
    box.hidden = !opening;
    one("#trend-choose").setAttribute("aria-expanded", String(opening));
    (opening ? one("#trend-search") : one("#trend-choose")).focus();
  };

  /* --- events ------------------------------------------------------------------------------------------------------ */
  const EVENTS_LISTED = 50;
  const showEvents = (events, more) => {
    const box = one("#trend-events");
    const key = JSON.stringify([more, events.map((event) => event.seq)]);
    if (box.dataset.shown === key) return;
    box.dataset.shown = key;
    box.hidden = !events.length;
    const left = more || events.length > EVENTS_LISTED;
    box.replaceChildren(
      make("h3", {}, "Alarms and events in this span"),
      ...(left ? [make("p", { class: "summary" }, `The newest ${Math.min(EVENTS_LISTED, events.length)} of ${more ? `more than ${events.length}` : events.length}; shorten the span to see the others.`)] : []),
      make("ul", {}, ...events.slice(0, EVENTS_LISTED).map((event) =>
        make("li", {}, make("time", {}, time(event.at_ms)), ` ${event.equipment || ""} ${event.text || event.alarm}${event.priority ? `, priority ${event.priority}` : ""}`))));
  };

  /* --- the same as a table --------------------------------------------------------------------------------------------- */
  const toggleTable = () => {
    const box = one("#trend-table");
    box.hidden = !box.hidden;
    one("#trend-as-table").setAttribute("aria-pressed", String(!box.hidden));
    paintTable();
  };

  const paintTable = () => {
    const box = one("#trend-table"), data = trends.data();
    if (box.hidden || !data) return;
    const seen = data.at.map((_, at) => at).filter((at) => data.series.some((series) => series.quality[at] !== NOTHING));
    const stride = Math.max(1, Math.ceil(seen.length / ROWS_MAX));
    const rows = seen.filter((_, index) => index % stride === 0).reverse();
    const head = make("tr", {}, make("th", { scope: "col" }, "Time"), ...data.series.map((series) => make("th", { scope: "col" }, trends.shortName(series.name))));
    const body = rows.map((at) => make("tr", {}, make("th", { scope: "row" }, time(data.at[at] * SECOND)), ...data.series.map((series) => cell(series, at))));
    const caption = `Values over time, newest first${stride > 1 ? `, every ${stride}th row` : ""}`;
    box.replaceChildren(make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": caption },
      make("table", {}, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...body))));
  };

  const cell = (series, at) => {
    const mark = series.quality[at];
    if (mark === NOTHING) return make("td", { class: "value" });
    if (mark === GAP) return make("td", { class: "value" }, make("span", { class: "unknown" }, "?"));
    return make("td", { class: mark ? "value quality" : "value" }, said(series, at));
  };

  onPage(() => {
    if (!one("#trends")) return;
    trends.onData(paintTable);
    trends.onPoints(() => {
      for (const tick of one("#trend-chooser").querySelectorAll("[data-name]")) tick.checked = view.points.includes(tick.dataset.name);
    });
  });
  Object.assign(trends, { showReadout, tellCursor, toggleChooser, toggleTable, showEvents });
})();
