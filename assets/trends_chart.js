/* Trends, drawn: one panel per unit and one per state, all over the same time. A line is coloured by the water it
   tells about; where it breaks nothing was known; hatching below says which values are not good. */
(() => {
  "use strict";

  const { one, make, fixed, hhmm, moment, onPage } = window.plantviewPages;
  const trends = window.plantviewTrends;
  const { view, told, state, GAP, NOTHING, SECOND } = trends;
  const GOOD = 0, UNCERTAIN = 1;
  const DASHES = [[], [9, 5], [2, 4], [10, 4, 2, 4], [16, 6], [5, 3, 2, 3]];
  const PANEL_MIN = 150, PANEL_MAX = 520, STATE_HEIGHT = 92, LANE = 7, LABEL = 17, AXIS = 62, AXIS_BELOW = 50;
  const KEPT_MS = 500;

  let panels = [], drawn = "", events = [], held = { from: 0, to: 0, at: -Infinity, more: false }, loading = null, cursor = null;

  /* --- the library, loaded only where it is needed ---------------------------------------------------- */
  const whenDrawn = () => {
    loading = loading || new Promise((resolve, reject) => {
      const [script, style] = told.library;
      document.head.append(make("link", { rel: "stylesheet", href: style }));
      const node = make("script", { src: script });
      node.addEventListener("load", resolve);
      node.addEventListener("error", () => reject(new Error("its script did not arrive")));
      document.head.append(node);
    });
    return loading;
  };

  /* --- how a value looks -------------------------------------------------------------------------------- */
  const isState = (signal) => Object.keys(signal.states || {}).length > 0;
  const unitOf = (signal) => signal[state().units].u;
  const panelOf = (name) => {
    const signal = state().signals[name];
    return isState(signal) ? `state ${name}` : `unit ${unitOf(signal)}`;
  };
  const shortName = (name) => {
    const signal = state().signals[name];
    const letters = /\(([A-Z]{2,5})\)/.exec(signal.label);
    const said = letters ? letters[1] : signal.label;
    return signal.equipment === "PLANT" ? said : `${signal.equipment} ${said}`;
  };
  /* Water gives the colour; return pipes and further values of one colour in one panel differ by their dashes. */
  const looks = () => {
    const found = {}, taken = {};
    for (const name of view.points) {
      const [water, way] = told.lines[name] || ["plain", ""];
      const group = `${panelOf(name)}|${water}`;
      const used = (taken[group] = taken[group] || new Set());
      let dash = way === "return" ? 1 : 0;
      while (used.has(dash) && dash < DASHES.length - 1) dash += 1;
      used.add(dash);
      found[name] = { water, dash: DASHES[dash] };
    }
    return found;
  };
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const colourOf = (look) => colour(look.water === "plain" ? "ink" : look.water);
  const words = (name, value, withUnit = true) => {
    const signal = state().signals[name];
    if (value === null || value === undefined) return "?";
    if (isState(signal)) return signal.states[String(Math.round(value))] ?? String(value);
    const line = signal[state().units];
    return withUnit ? `${fixed(value, line.d)} ${line.u}`.trim() : fixed(value, line.d);
  };

  /* --- panels --------------------------------------------------------------------------------------------- */
  const grouped = () => {
    const groups = new Map();
    for (const name of view.points) groups.set(panelOf(name), [...(groups.get(panelOf(name)) || []), name]);
    return [...groups].map(([key, names]) => ({ key, names, state: key.startsWith("state ") }));
  };

  const heights = (groups) => {
    const plot = one("#trend-plot");
    const room = Math.max(260, innerHeight - plot.getBoundingClientRect().top - scrollY - 50 - (one("#alarm-strip")?.offsetHeight || 0));
    const analog = groups.filter((group) => !group.state).length;
    const each = (room - AXIS_BELOW - STATE_HEIGHT * (groups.length - analog)) / Math.max(1, analog);
    return Math.round(Math.min(PANEL_MAX, Math.max(PANEL_MIN, each)));
  };

  const build = () => {
    const plot = one("#trend-plot"), look = looks(), groups = grouped();
    for (const panel of panels) panel.chart.destroy();
    const height = heights(groups);
    plot.replaceChildren();
    panels = groups.map((group, index) => {
      const last = index === groups.length - 1;
      const box = make("div", { class: "trend-panel" });
      plot.append(box);
      const size = (group.state ? STATE_HEIGHT : height) + (last ? AXIS_BELOW : 0);
      const panel = { ...group, look, last, box, labels: [] };
      panel.chart = new window.uPlot(options(panel, plot.clientWidth, size), [[]], box);
      return panel;
    });
    if (!groups.length) plot.append(make("p", { class: "quiet" }, "Choose values to see them over time."));
  };

  const options = (panel, width, height) => {
    const each = view.back ? 4 : 3; // lines per value: lowest, highest, the other day, mean
    const signal = state().signals[panel.names[0]], ink = colour("ink2"), grid = { stroke: colour("line"), width: 1 };
    const font = `${innerWidth >= 1700 ? 15 : 13}px ${getComputedStyle(document.body).fontFamily}`;
    return {
      width, height, legend: { show: false }, tzDate: (at) => window.uPlot.tzDate(new Date(at * SECOND), state().zone || "UTC"),
      padding: [10, 14, panel.last ? 0 : 8, 0],
      cursor: { drag: { x: true, y: false, setScale: false }, points: { size: (_, index) => (index % each ? 0 : 7) }, focus: { prox: -1 }, sync: { key: "trends", setSeries: false, scales: ["x", null] } },
      select: { show: true },
      scales: { x: { time: true, range: () => [view.from / SECOND, view.to / SECOND] }, y: { range: panel.state ? stateRange(signal) : analogRange } },
      axes: [
        { show: true, stroke: ink, font, grid, ticks: { ...grid, size: panel.last ? 5 : 0 }, size: panel.last ? AXIS_BELOW : 4, space: innerWidth < 600 ? 70 : 95, values: panel.last ? timeMarks : (_, splits) => splits.map(() => "") },
        { stroke: ink, font, grid, ticks: { ...grid, size: 4 }, size: AXIS, label: undefined, values: panel.state ? (_, splits) => splits.map((at) => signal.states[String(at)] ?? "") : undefined, splits: panel.state ? () => Object.keys(signal.states).map(Number) : undefined },
      ],
      series: [{}, ...panel.names.flatMap((name) => seriesOf(name, panel))],
      bands: panel.state ? [] : panel.names.map((name, index) => ({ series: [each * index + 2, each * index + 1], fill: fade(colourOf(panel.look[name])) })),
      hooks: { draw: [drawQuality, drawEvents, drawUnit], setSelect: [selected], setCursor: [moved] },
    };
  };

  const fade = (hex) => `${hex}38`;
  const seriesOf = (name, panel) => {
    const look = panel.look[name], stroke = colourOf(look);
    const paths = isState(state().signals[name]) ? window.uPlot.paths.stepped({ align: 1 }) : window.uPlot.paths.linear();
    const edge = { stroke: fade(stroke), width: 1, paths, points: { show: false } };
    const other = { stroke: colour("ghost"), width: 1.5, dash: look.dash, paths, points: { show: false } };
    const mean = { stroke, width: 2, dash: look.dash, paths, points: { show: false, filter: lonely, size: 5, fill: stroke } };
    return [edge, edge, ...(view.back ? [other] : []), mean];
  };
  /* A number between two gaps is drawn as a dot: as a line it would not be seen. */
  const lonely = (chart, index) => {
    const alone = [];
    let run = 0, lastAt = 0;
    [...chart.data[index], null].forEach((value, at) => {
      if (value === undefined) return;
      if (value === null) { if (run === 1) alone.push(lastAt); run = 0; return; }
      run += 1;
      lastAt = at;
    });
    return alone.length ? alone : null;
  };
  const stateRange = (signal) => () => {
    const numbers = Object.keys(signal.states).map(Number);
    return [Math.min(...numbers) - 0.5, Math.max(...numbers) + 0.5];
  };
  const analogRange = (chart, low, high) => {
    if (low === null || high === null) return [0, 1];
    const least = 0.02 * Math.max(1, Math.abs(low));
    const room = Math.max(least, high - low) * 0.12;
    return [low - room - (high - low < least ? least / 2 : 0), high + room + (high - low < least ? least / 2 : 0)];
  };
  const timeMarks = (chart, splits, _axis, _space, step) => splits.map((at, index) => {
    const ms = at * SECOND;
    const day = index === 0 || hhmm(ms) === "00:00" || step >= 86400;
    const date = day ? dayText(ms) : "";
    return step >= 86400 ? date : date ? `${hhmm(ms)}\n${date}` : step < 60 ? moment(ms, ms) : hhmm(ms);
  });
  const dayText = (ms) => new Intl.DateTimeFormat("en-GB", { timeZone: state().zone || "UTC", day: "numeric", month: "short" }).format(ms);

  /* --- what is drawn over it ----------------------------------------------------------------------------------- */
  const ratio = () => window.devicePixelRatio || 1;

  const hatch = (context, stroke) => {
    const tile = document.createElement("canvas"), size = 6 * ratio();
    tile.width = tile.height = size;
    const pen = tile.getContext("2d");
    pen.strokeStyle = stroke;
    pen.lineWidth = 1.4 * ratio();
    pen.beginPath();
    for (const shift of [-size, 0, size]) { pen.moveTo(shift, size); pen.lineTo(shift + size, 0); }
    pen.stroke();
    return context.createPattern(tile, "repeat");
  };

  /* Stretches of one value that are not good: [first column, last column, worst]. */
  const stretches = (quality) => {
    const found = [];
    let open = null;
    quality.forEach((mark, index) => {
      if (mark === NOTHING) return;
      if (mark === GOOD) { open = null; return; }
      if (open && open[2] === Math.max(mark, UNCERTAIN)) open[1] = index; else found.push(open = [index, index, mark]);
    });
    return found;
  };

  const drawQuality = (chart) => {
    const panel = panels.find((each) => each.chart === chart), data = trends.data();
    if (!panel || !data || !data.at.length) return;
    const context = chart.ctx, { left, top, width, height } = chart.bbox, lane = LANE * ratio();
    const step = data.at.length > 1 ? data.at[1] - data.at[0] : 1;
    const edge = (at) => Math.min(left + width, Math.max(left, chart.valToPos(at, "x", true)));
    const lanes = data.series.filter((each) => panel.names.includes(each.name) && each.quality.some((mark) => mark !== GOOD && mark !== NOTHING));
    context.save();
    lanes.forEach((series, index) => {
      const y = top + height - lane * (lanes.length - index) - 1;
      const stroke = colourOf(panel.look[series.name]);
      for (const [first, last, mark] of stretches(series.quality)) {
        const x = edge(data.at[first] - step / 2), end = edge(data.at[last] + step / 2);
        const wide = Math.max(end - x, 2 * ratio());
        context.fillStyle = mark === UNCERTAIN ? fade(stroke) : hatch(context, stroke);
        context.fillRect(x, y, wide, lane - 1);
        if (mark >= 3 && lanes.length === 1) {
          context.fillStyle = hatch(context, colour("line"));
          context.fillRect(x, top, wide, height - lane);
        }
      }
    });
    context.restore();
  };

  const drawEvents = (chart) => {
    const panel = panels.find((each) => each.chart === chart);
    if (!panel) return;
    const context = chart.ctx, { left, top, width, height } = chart.bbox, size = 10 * ratio();
    context.save();
    for (const event of shownEvents()) {
      const x = Math.round(chart.valToPos(event.at_ms / SECOND, "x", true));
      if (x < left || x > left + width) continue;
      const fill = event.priority ? colour({ 1: "red", 2: "orange", 3: "yellow" }[event.priority] || "low") : colour("ink2");
      context.strokeStyle = colour("ink2");
      context.setLineDash([3 * ratio(), 4 * ratio()]);
      context.lineWidth = ratio();
      context.beginPath(); context.moveTo(x, top); context.lineTo(x, top + height); context.stroke();
      if (panel !== panels[0]) continue;
      context.setLineDash([]);
      context.beginPath();
      const corners = { 1: 8, 2: 3, 3: 4 }[event.priority] || 24, turn = { 1: Math.PI / 8, 2: -Math.PI / 2, 3: 0 }[event.priority] || 0;
      for (let corner = 0; corner < corners; corner += 1) {
        const angle = turn + (corner * 2 * Math.PI) / corners;
        context.lineTo(x + size * Math.cos(angle), top + size + size * Math.sin(angle));
      }
      context.closePath();
      context.fillStyle = fill; context.fill();
      context.strokeStyle = colour("sign-edge"); context.stroke();
      context.fillStyle = colour(event.priority === 1 ? "on-red" : "on-sign");
      context.font = `700 ${12 * ratio()}px ${getComputedStyle(document.body).fontFamily}`;
      context.textAlign = "center"; context.textBaseline = "middle";
      if (event.priority) context.fillText(String(event.priority), x, top + size + (event.priority === 2 ? 1.5 * ratio() : 0.5 * ratio()));
    }
    context.restore();
  };

  const drawUnit = (chart) => {
    const panel = panels.find((each) => each.chart === chart);
    if (!panel) return;
    const context = chart.ctx;
    context.save();
    context.fillStyle = colour("ink2");
    context.font = `700 ${13 * ratio()}px ${getComputedStyle(document.body).fontFamily}`;
    context.textAlign = "left"; context.textBaseline = "top";
    const named = panel.state ? shortName(panel.names[0]) : unitOf(state().signals[panel.names[0]]);
    context.fillText(named, chart.bbox.left + 6 * ratio(), chart.bbox.top + 3 * ratio());
    context.restore();
  };

  /* --- the cursor: numbers beside the lines ------------------------------------------------------------------------ */
  const selected = (chart) => {
    const { left, width } = chart.select;
    if (width < 6) return;
    const ends = [left, left + width].map((x) => chart.posToVal(x, "x") * SECOND);
    chart.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    trends.setRange(...ends);
  };

  /* The nearest column in which this value was read; none across a gap. */
  const nearest = (series, index) => {
    for (let away = 0; away <= 60; away += 1) {
      for (const at of away ? [index - away, index + away] : [index]) {
        const mark = series.quality[at];
        if (mark === undefined || mark === NOTHING) continue;
        if (mark === GAP) { if (at === index || away === 0) return null; continue; }
        return at;
      }
    }
    return null;
  };

  const moved = (chart) => {
    const panel = panels.find((each) => each.chart === chart), data = trends.data();
    if (!panel || !data?.at.length) return;
    const index = chart.cursor.idx, inside = chart.cursor.left >= 0 && index !== null && index !== undefined;
    if (panel === panels[0]) {
      cursor = inside ? index : null;
      trends.showReadout?.(cursor);
    }
    placeLabels(panel, data, inside ? index : data.at.length - 1, inside ? chart.cursor.left : null);
  };

  const placeLabels = (panel, data, index, left) => {
    const rows = [];
    if (left !== null && !panel.state) {
      for (const series of data.series) {
        if (!panel.names.includes(series.name)) continue;
        const at = nearest(series, index), value = at === null ? null : series.mid[at];
        const y = value === null || value === undefined ? null : panel.chart.valToPos(value, "y");
        if (y !== null) rows.push({ y, text: `${shortName(series.name)} ${words(series.name, value, false)}`, water: panel.look[series.name].water });
      }
    }
    rows.sort((a, b) => a.y - b.y);
    const over = panel.chart.over, height = over.clientHeight;
    rows.forEach((row, i) => { row.y = Math.max(row.y, i ? rows[i - 1].y + LABEL : LABEL / 2); });
    for (let i = rows.length - 1, bottom = height - LABEL / 2; i >= 0; i -= 1, bottom -= LABEL) rows[i].y = Math.min(rows[i].y, bottom);
    while (panel.labels.length < rows.length) panel.labels.push(over.appendChild(make("span", { class: "trend-label", "aria-hidden": "true" })));
    panel.labels.forEach((node, i) => {
      node.hidden = i >= rows.length;
      if (node.hidden) return;
      node.textContent = rows[i].text;
      node.dataset.water = rows[i].water;
      const before = left > over.clientWidth * 0.6;
      node.style.transform = `translate(${Math.round(before ? left - 10 : left + 10)}px, ${Math.round(rows[i].y)}px) translate(${before ? "-100%" : "0"}, -50%)`;
    });
  };

  const moveCursor = (index) => {
    const data = trends.data();
    if (!data?.at.length || !panels.length) return;
    const at = Math.max(0, Math.min(data.at.length - 1, index));
    for (const panel of panels) panel.chart.setCursor({ left: panel.chart.valToPos(data.at[at], "x"), top: panel.chart.over.clientHeight / 2 });
  };

  /* --- drawing what arrived -------------------------------------------------------------------------------------------- */
  const paint = (data) => {
    const key = JSON.stringify([view.points.map((name) => [name, panelOf(name)]), view.back > 0, state().units, document.documentElement.dataset.theme, one("#trend-plot").clientWidth, innerHeight]);
    if (key !== drawn) { drawn = key; build(); }
    const others = Object.fromEntries((data.other?.series || []).map((series) => [series.name, series.mid]));
    for (const panel of panels) {
      const columns = panel.names.flatMap((name) => {
        const series = data.series.find((each) => each.name === name);
        const other = view.back ? [fitted(others[name] || [], data.at.length)] : [];
        return series ? [series.low, series.high, ...other, series.mid] : [[], [], ...other, []];
      });
      panel.chart.setData([data.at, ...columns]);
    }
    readEvents();
    trends.showReadout?.(cursor);
  };
  const fitted = (numbers, length) => Array.from({ length }, (_, index) => numbers[index]);

  /* --- alarms and events ------------------------------------------------------------------------------------------------- */
  const EVENT_PAGE = 500, EVENT_PAGES_MAX = 4;
  const COMES = new Set(["ANN", "REALARM", "EVENT"]);
  const shownEvents = () => events.filter((event) => COMES.has(event.kind) && event.at_ms >= view.from && event.at_ms <= view.to);
  const tellEvents = () => trends.showEvents?.(shownEvents(), held.more);
  /* A span and half of it on either side, so that panning does not ask at every step; the newest come first. */
  const readEvents = async () => {
    const fresh = performance.now() - held.at < 20 * KEPT_MS;
    if (fresh && view.from >= held.from && view.to <= held.to) return tellEvents();
    const room = Math.max(60000, (view.to - view.from) / 2);
    const asked = { from: Math.max(0, Math.floor(view.from - room)), to: Math.ceil(view.to + room), at: performance.now(), more: false };
    held = asked;
    const found = [];
    try {
      for (let page = 0, before = ""; page < EVENT_PAGES_MAX; page += 1) {
        const answer = await fetch(`/api/v1/alarms/journal?from=${asked.from}&to=${asked.to}&limit=${EVENT_PAGE}${before || "&marks=1"}`);
        if (!answer.ok || held !== asked) return undefined;
        const rows = (await answer.json()).rows || [], lines = rows.filter((row) => row.seq > 0);
        found.push(...rows);
        asked.more = lines.length >= EVENT_PAGE;
        if (!asked.more) break;
        before = `&before=${Math.min(...lines.map((row) => row.seq))}`;
      }
      events = found;
      for (const panel of panels) panel.chart.redraw(false);
      tellEvents();
    } catch { /* the page says by itself that the field process is silent */ }
    return undefined;
  };

  /* --- keys and wheel ------------------------------------------------------------------------------------------------------- */
  const KEYS = {
    ArrowLeft: (event) => (event.shiftKey ? trends.pan(-0.25) : step(-1, event)), ArrowRight: (event) => (event.shiftKey ? trends.pan(0.25) : step(1, event)),
    PageUp: () => trends.pan(-1), PageDown: () => trends.pan(1), "+": () => trends.zoom(0.5), "=": () => trends.zoom(0.5), "-": () => trends.zoom(2),
    Home: () => moveCursor(0), End: () => moveCursor(Infinity), l: () => trends.setLive(), t: () => trends.toggleTable(), c: () => trends.toggleChooser(),
    Escape: () => { for (const panel of panels) panel.chart.setCursor({ left: -10, top: -10 }); },
  };
  const step = (way, event) => {
    const data = trends.data();
    if (!data) return;
    moveCursor((cursor ?? data.at.length - 1) + way * (event.ctrlKey ? 1 : Math.max(1, Math.round(data.at.length / 120))));
    trends.tellCursor?.(cursor);
  };
  const wheel = (event) => {
    if (!event.ctrlKey && !event.shiftKey) return;
    event.preventDefault();
    const box = panels[0]?.chart.over.getBoundingClientRect();
    if (!box) return;
    if (event.shiftKey) trends.pan(Math.sign(event.deltaY || event.deltaX) * 0.1);
    else trends.zoom(event.deltaY > 0 ? 1.25 : 0.8, Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)));
  };

  onPage(() => {
    const plot = one("#trend-plot");
    if (!plot) return;
    one("#trend-keys").textContent = "Drag to zoom, Ctrl+wheel too, Shift+wheel to pan. Keys: ← → cursor, Shift+← → pan, + − zoom, L live, T table, C choose.";
    plot.addEventListener("keydown", (event) => {
      const act = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
      if (!act || (event.ctrlKey && !event.key.startsWith("Arrow")) || event.altKey || event.metaKey) return;
      event.preventDefault();
      act(event);
    });
    plot.addEventListener("wheel", wheel, { passive: false });
    plot.addEventListener("dblclick", () => trends.zoom(2));
    new ResizeObserver(() => { if (trends.data()) paint(trends.data()); }).observe(plot);
    new MutationObserver(() => { if (trends.data()) paint(trends.data()); }).observe(document.documentElement, { attributeFilter: ["data-theme"] });
  });
  trends.onData(paint);
  Object.assign(trends, { whenDrawn, words, shortName, looks, colourOf, nearest, unitOf, isState, cursor: () => cursor });
})();
