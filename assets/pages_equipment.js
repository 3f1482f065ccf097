/* Equipment page: live and worked-out values of one machine, its normal bands, run hours, last day, performance map. */
(() => {
  "use strict";

  if (!["/equipment", "/plant/machine"].includes(location.pathname)) return;
  const { one, make, say, fixed, shown, fillValue, siToShown, moment, hhmm, onPage, onPaint } = window.plantviewPages;
  const { axis, sheet, lines, figure, clockTicks, known } = window.plantviewCharts;
  const id = new URLSearchParams(location.search).get("id") || "";
  const DAY = 86400000, RENEW_MS = 60000, POINTS_MAX = 12, STEP = 600000, DAY_CELLS = 480, MAP_CELLS = 2020, LIFTS = 4;
  const TREND_FIRST = ["kw_per_ton", "cooling_load", "power", "lift", "evap_approach", "cond_approach", "heat_balance", "range", "approach", "effectiveness", "leaving_temp", "fan_power", "speed", "flow", "dp"];
  const MAP = ["kw_per_ton", "cooling_load", "lift"];
  const MODEL = /_(expected|normal_low|normal_high|by_gordon_ng|above_expected|above_expected_pct)$/, MODELLED = ["chiller", "tower_cell"];
  const BALANCE = /_(imbalance|adjustment)$/;
  let about = null, tables = "", asked = -Infinity, day = null, ownDay = null, map = null, drawnIn = "";

  const state = () => window.plantview.state;
  const signal = (name) => state().signals?.[name];
  const has = (measurement) => (signal(`${id}.${measurement}`) ? `${id}.${measurement}` : null);
  const none = (...text) => make("p", { class: "quiet" }, ...text);
  const hours = (value) => `${fixed(value, 1)} h`;

  /* How far a derived value may be off, two digits, as in the detail of a value. */
  const unsure = (name) => {
    const u95 = state().readings?.[name]?.[4], scale = signal(name)?.[state().units];
    return u95 === undefined || !scale ? "" : `± ${Number((u95 * scale.f).toPrecision(2))}`;
  };

  const table = (names, caption) => {
    const head = ["Value", "Now", "Doubts"].map((text, index) => make("th", { scope: "col", ...(index === 1 ? { class: "n" } : {}) }, text));
    const body = names.map((name) => make("tr", { "data-row": name }, make("th", { scope: "row" }, labelOf(name)),
      make("td", { class: "value n", "data-signal": name, tabindex: "0", role: "button" }), make("td", { class: "why" })));
    return make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": caption }, make("table", {}, make("caption", {}, caption), make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...body)));
  };

  const rows = (names, box, caption) => one(box).replaceChildren(names.length ? table(names, caption) : none("Nothing of this kind belongs to it. Points are rows of points.csv; what is worked out follows from them."));

  const labelOf = (name) => { const owner = name.split(".")[0]; return `${owner === id ? "" : `${owner} `}${signal(name).label}`; };

  const paintRow = (row) => {
    const name = row.dataset.row, value = shown(name, state()), cell = one(".value", row);
    fillValue(cell, value);
    const text = value.number === "" ? "" : unsure(name);
    let mark = one(".u95", cell);
    if (text && !mark) cell.append(mark = make("span", { class: "u95", title: "in 95 of 100 cases, by the accuracy of its sensors" }));
    if (mark) say(mark, text);
    row.hidden = state().units === "ip" && name === `${id}.cooling_load_tons`; // the load stands in tons already
    say(one(".why", row), value.quality === "GOOD" ? "" : `${value.quality.toLowerCase()}${value.reason ? `: ${value.reason}` : ""}`);
  };

  const buildTables = () => {
    const names = about.signals.filter(signal), derived = new Set(about.derived), key = names.join();
    if (key === tables) return;
    tables = key;
    const worked = names.filter((name) => derived.has(name) && !MODEL.test(name)), balances = worked.filter((name) => BALANCE.test(name));
    rows(worked.filter((name) => !BALANCE.test(name)), "#equipment-derived", `What is worked out for ${id}`);
    rows(names.filter((name) => !derived.has(name)), "#equipment-read", `What is read at ${id}`);
    if (balances.length) one("#equipment-derived").append(make("details", { class: "balances" }, make("summary", {}, `Balances over a quarter of an hour: ${balances.length} values`), table(balances, `What its balances leave over, and the least adjustments that close them`)));
    if (worked.length) one("#equipment-derived").append(none("Renewed every 15 s, from readings of one moment; what is read may be newer."));
    const lacking = Object.entries(about.unbound);
    if (lacking.length) {
      one("#equipment-derived").append(make("details", {}, make("summary", {}, `${lacking.length} values cannot be worked out here`),
        make("ul", {}, ...lacking.map(([name, why]) => make("li", {}, `${name}: ${why}`)))));
    }
    one("#equipment-model").closest("section").hidden = !modelled();
    if (modelled()) window.plantviewOwnModel.build(about, one("#equipment-model"));
  };

  const modelled = () => MODELLED.includes(about.kind);

  const paintAlarms = () => {
    const own = [id, ...about.parts], active = (state().alarms?.active || []).filter((row) => own.includes(row.equipment));
    const findings = about.findings || [];
    const key = JSON.stringify([state().silent, active.map((row) => [row.id, row.acked, row.priority, row.text]), findings.map((row) => row.id), about.findingsTrouble]);
    const box = one("#equipment-alarms");
    if (box.dataset.filled === key) return;
    box.dataset.filled = key;
    const list = [
      ...active.map((row) => make("li", {}, make("a", { href: `/alarms/record?id=${encodeURIComponent(row.id)}` }, `Priority ${row.priority}: ${row.text}`), ` since ${moment(row.since_ms, state().now_ms)}${row.acked ? ", acknowledged" : ", not acknowledged"}`)),
      ...findings.map((row) => make("li", {}, make("a", { href: "/findings" }, "Finding"), `: ${row.words}`)),
    ];
    const quiet = state().silent ? "No link to the plant: alarms are not known." : "No alarm is active and no finding is open.";
    box.replaceChildren(list.length ? make("ul", {}, ...list) : none(quiet), ...(about.findingsTrouble ? [none(`Findings cannot be read now: ${about.findingsTrouble}`)] : []),
      make("p", {}, make("a", { href: `/alarms/journal?equipment=${encodeURIComponent(id)}` }, "Journal of this machine")));
  };

  const paintState = () => {
    const row = state().conditions?.[id];
    const text = row ? [row[1], row[2]].filter(Boolean).join(": ") : "";
    say(one("#equipment-state"), [about.label === id ? "" : about.label, text].filter(Boolean).join(", "));
  };

  const run = () => {
    const told = about.running, list = make("dl"), add = (term, text) => list.append(make("dt", {}, term), make("dd", {}, text));
    for (const [measurement, term] of [["run_hours", "Run hours, its own counter"], ["starts", "Starts, its own counter"]]) {
      const name = has(measurement);
      if (!name) continue;
      add(term, make("span", { "data-signal": name, "data-counter": name, tabindex: "0", role: "button" }));
    }
    if (!told.point) { one("#equipment-run").replaceChildren(...(list.childElementCount ? [list] : []), none(`Hours and starts are not counted: ${told.why_not}.`)); return; }
    for (const [span, words] of [["today", `Today since ${hhmm(told.today_ms)}`], ["week", "Last 7 days"]]) {
      const each = told[span];
      add(words, each.run_h === null ? "not known: its status was not read" : `${hours(each.run_h)} run, ${each.starts} start${each.starts === 1 ? "" : "s"}, of ${hours(each.seen_h)} in which ${told.point} was known`);
    }
    one("#equipment-run").replaceChildren(list);
  };

  const design = () => {
    const list = make("dl"), units = { ...about.traits };
    for (const [name, value] of Object.entries(units)) list.append(make("dt", {}, name.replaceAll("_", " ")), make("dd", {}, value));
    for (const [name, text] of Object.entries(about.design_shown?.[state().units] || {})) list.append(make("dt", {}, name.replaceAll("_", " ")), make("dd", {}, text));
    one("#equipment-design").replaceChildren(list.childElementCount ? list : none(`No design data is given. Add it under [equipment] ${id} in plant.toml.`));
  };

  const read = async (names, from, to, width) => {
    const query = new URLSearchParams([...names.map((name) => ["point", name]), ["from", from], ["to", to], ["width", width], ["units", "si"]]);
    const answer = await fetch(`/api/v1/history?${query}`), body = await answer.json();
    if (!answer.ok) throw new Error(body.detail);
    return { at: body.at_s.map((s) => s * 1000), from, to, series: Object.fromEntries(body.series.map((row) => [row.point, row.mean])) };
  };

  const trendNames = () => {
    const own = about.signals.filter((name) => signal(name) && !Object.keys(signal(name).states).length && !MODEL.test(name));
    const rank = (name) => { const place = TREND_FIRST.indexOf(name.split(".")[1]); return place < 0 ? 99 : place; };
    return own.filter((name) => rank(name) < 99).sort((a, b) => rank(a) - rank(b)).slice(0, 6);
  };

  const drawDay = () => {
    const names = trendNames(), box = one("#equipment-day");
    if (!names.length) { box.replaceChildren(none("It has no value whose last day could be drawn.")); return; }
    if (!day) return;
    const figures = names.map((name) => {
      const about_ = signal(name), values = (day.series[name] || []).map((value) => (value === null ? null : siToShown(about_, value, state().units))), unit = about_[state().units].u, y = axis(values, { least: 4 * 10 ** -about_[state().units].d });
      if (!y) return none(`${labelOf(name)}: nothing was read in the last day.`);
      const on = sheet({ x: { low: day.from, high: day.to }, y, xTicks: clockTicks(day.from, day.to, hhmm).filter((_, index) => index % 3 === 0), yName: `${labelOf(name)}${unit ? `, ${unit}` : ""}`, height: 240 });
      const seen = values.filter(known), d = about_[state().units].d, text = `${fixed(Math.min(...seen), d)} to ${fixed(Math.max(...seen), d)} ${unit}`.trim();
      return figure(on, `${labelOf(name)}, last day: ${text}`, text, ...lines(day.at, values, on));
    });
    const query = new URLSearchParams([...names.map((name) => ["p", name]), ["span", DAY / 1000]]);
    box.replaceChildren(make("div", { class: "small" }, ...figures), make("p", {}, make("a", { href: `/trends?${query}` }, "Open these in trends")));
  };

  const drawMap = () => {
    const box = one("#equipment-map"), names = MAP.map((each) => `${id}.${each}`);
    if (about.kind !== "chiller") { box.closest("section").hidden = true; return; }
    const lacking = names.filter((name) => !signal(name));
    if (lacking.length) { box.replaceChildren(none(`Cannot be drawn: ${lacking.map((name) => `${name} is not worked out${about.unbound[name] ? ` (${about.unbound[name]})` : ""}`).join("; ")}.`)); return; }
    if (!map) return;
    const units = state().units, shownOf = (name, si) => siToShown(signal(name), si, units);
    const cells = map.at.map((at, index) => ({ at, y: map.series[names[0]][index], x: map.series[names[1]][index], lift: map.series[names[2]][index] })).filter((cell) => known(cell.x) && known(cell.y) && known(cell.lift));
    if (!cells.length) { box.replaceChildren(none("It did not run long enough in the last 7 days. The map fills while the machine runs: a dot for each stretch of at most a quarter of an hour.")); return; }
    for (const cell of cells) Object.assign(cell, { x: shownOf(names[1], cell.x), lift: shownOf(names[2], cell.lift) });
    const x = axis(cells.map((cell) => cell.x), { least: 10 }), y = axis(cells.map((cell) => cell.y), { least: 0.05 });
    const lifts = cells.map((cell) => cell.lift).sort((a, b) => a - b), edges = [1, 2, 3].map((part) => lifts[Math.floor((part * (lifts.length - 1)) / LIFTS)]);
    const kind = (lift) => edges.filter((edge) => lift > edge).length;
    const unitX = signal(names[1])[units].u, unitLift = signal(names[2])[units].u, on = sheet({ x, y, xName: `Cooling load, ${unitX}`, yName: "kW/ton", height: 320 });
    const dots = cells.map((cell) => make("circle", { class: `lift lift-${kind(cell.lift)}`, cx: on.placeX(cell.x).toFixed(1), cy: on.placeY(cell.y).toFixed(1), r: 3.6 }));
    const now = names.map((name) => Number(shown(name, state()).number.replace("−", "-") || NaN));
    const here = Number.isFinite(now[0]) && Number.isFinite(now[1]) && now[1] >= x.low && now[1] <= x.high && now[0] >= y.low && now[0] <= y.high ? [make("circle", { class: "now", cx: on.placeX(now[1]).toFixed(1), cy: on.placeY(now[0]).toFixed(1), r: 9 })] : [];
    const spans = [[null, edges[0]], [edges[0], edges[1]], [edges[1], edges[2]], [edges[2], null]];
    const spanText = ([low, high]) => (low === null ? `up to ${fixed(high, 1)}` : high === null ? `above ${fixed(low, 1)}` : `${fixed(low, 1)} to ${fixed(high, 1)}`);
    const legend = make("p", { class: "legend" }, make("span", {}, `Lift, ${unitLift}:`), ...spans.map((span, index) => make("span", {}, make("span", { class: `swatch lift-${index}`, "aria-hidden": "true" }), spanText(span))));
    const text = `${cells.length} means over at most a quarter of an hour, last 7 days${here.length ? "; the ring is now" : ""}`;
    box.replaceChildren(legend, figure(on, `kW/ton against cooling load: ${text}`, text, ...dots, ...here), none("Less lift costs less power, but only down to the machine's own least lift or entering water: that limit is its manual's."));
  };

  const renew = async () => {
    asked = performance.now();
    try {
      const answer = await fetch(`/api/v1/equipment?id=${encodeURIComponent(id)}`), body = await answer.json();
      if (!answer.ok) throw new Error(`${body.detail}: ${body.remedy}`);
      body.findings = about?.findings || [];
      about = body;
      const to = Math.ceil(state().now_ms / STEP) * STEP, names = trendNames();
      const wanted = about.kind === "chiller" ? MAP.map((each) => `${id}.${each}`) : [], own = modelled() ? window.plantviewOwnModel.dayNames(about) : [];
      drawAll();
      await readFindings();
      day = names.length ? await read(names.slice(0, POINTS_MAX), to - DAY, to, DAY_CELLS) : null;
      ownDay = own.length ? await read(own, to - DAY, to, DAY_CELLS) : null;
      map = wanted.length && wanted.every(signal) ? await read(wanted, to - 7 * DAY, to, MAP_CELLS) : null;
      drawAll();
      document.body.dataset.equipment = id;
    } catch (error) {
      say(one("#equipment-state"), `Cannot be read now: ${error.message}`);
    }
  };

  const readFindings = async () => {
    try {
      const answer = await fetch("/api/v1/findings"), body = await answer.json();
      if (!answer.ok) throw new Error(body.detail);
      const own = [id, ...about.parts];
      about.findings = body.open.map((row) => row.finding).filter((row) => row.points.some((name) => own.includes(name.split(".")[0])));
    } catch (error) {
      about.findingsTrouble = error.message;
    }
  };

  const drawAll = () => {
    drawnIn = state().units;
    buildTables();
    run();
    design();
    drawDay();
    drawMap();
    if (modelled()) { window.plantviewOwnModel.facts(about); window.plantviewOwnModel.drawDay(about, ownDay); }
    say(one("#equipment-caution"), about.caution);
    paint();
  };

  const paint = () => {
    if (!about) return;
    for (const row of document.querySelectorAll("#equipment [data-row]")) paintRow(row);
    for (const node of document.querySelectorAll("#equipment [data-counter]")) fillValue(node, shown(node.dataset.counter, state()));
    if (modelled()) window.plantviewOwnModel.paint(about);
    paintAlarms();
    paintState();
  };

  const list = () => {
    one("#equipment-list").hidden = false;
    one("#equipment-drawing").hidden = one("#equipment").hidden = true;
    say(one("#equipment-state"), "Choose a machine.");
  };

  onPage(() => {
    if (!id) { list(); return; }
    say(one("#equipment-name"), id);
    if (Object.keys(state().signals || {}).length) renew();
  });
  onPaint((message, now) => {
    if (!id || !Object.keys(now.signals || {}).length) return;
    if (performance.now() - asked > RENEW_MS) renew();
    else if (about && now.units !== drawnIn) drawAll();
    else paint();
  });
})();
