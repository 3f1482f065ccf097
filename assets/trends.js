/* Trends: which values, which while, and where they come from. trends_chart.js draws them, trends_table.js
   tells them in words and numbers. The address of the page holds everything, so that it can be passed on. */
(() => {
  "use strict";

  const { one, make, say, onPage, onPaint } = window.plantviewPages;
  const POINTS_MAX = 12, WIDTH_MIN = 200, WIDTH_MAX = 1500;
  const SECOND = 1000, HOUR = 3600 * SECOND, DAY = 24 * HOUR;
  const SPAN_MIN = 60 * SECOND, SPAN_MAX = 5 * 366 * DAY;
  const RENEW_MIN = 5 * SECOND, RENEW_MAX = 60 * SECOND;
  const PRESETS = [["1 h", HOUR], ["8 h", 8 * HOUR], ["24 h", DAY], ["7 d", 7 * DAY], ["30 d", 30 * DAY]];
  const BACKS = [["compare with another day", 0], ["the day before", 1], ["two days before", 2], ["a week before", 7], ["four weeks before", 28]];
  const FIRST_SHOWN = ["PLANT.kw_per_ton", "PLANT.cooling_load", "PLANT.chw_delta_t", "PLANT.wet_bulb"];

  const view = { points: [], from: 0, to: 0, span: HOUR, live: true, back: 0 };
  const told = { lines: {}, library: [], plant: "" };
  const state = () => window.plantview.state;
  const hearers = { data: [], points: [] };
  let shown = null, request = null, renewedAt = 0, begun = false, asked = 0, note = "";

  /* --- the address of the page ------------------------------------------------------------------ */
  const readAddress = () => {
    const query = new URLSearchParams(location.search);
    view.points = [...new Set(query.getAll("p"))].filter((name) => state().signals[name]).slice(0, POINTS_MAX);
    const from = Date.parse(query.get("from")), to = Date.parse(query.get("to"));
    view.live = !(to - from >= SPAN_MIN);
    if (!view.live) Object.assign(view, { from, to, span: to - from });
    else view.span = clampSpan(Number(query.get("span")) * SECOND || HOUR);
    view.back = Math.max(0, Math.min(366, Math.trunc(Number(query.get("back"))) || 0));
    const missing = query.getAll("p").filter((name) => !state().signals[name]);
    note = missing.length ? `Not in this plant, so not shown: ${missing.join(", ")}.` : "";
    if (!query.has("p")) view.points = FIRST_SHOWN.filter((name) => state().signals[name]);
  };

  const writeAddress = () => {
    const query = new URLSearchParams(view.points.map((name) => ["p", name]));
    if (view.live) query.set("span", view.span / SECOND);
    else for (const end of ["from", "to"]) query.set(end, new Date(view[end]).toISOString());
    if (view.back) query.set("back", view.back);
    history.replaceState(history.state, "", `${location.pathname}?${query}`);
  };

  const clampSpan = (span) => Math.min(SPAN_MAX, Math.max(SPAN_MIN, Math.round(span / SECOND) * SECOND));
  const answer = (words) => say(one("#trend-answer"), words);

  /* --- what is shown ---------------------------------------------------------------------------------- */
  const settle = () => {
    if (!view.live) return;
    view.to = Math.ceil(window.plantview.nowMs() / SECOND) * SECOND;
    view.from = view.to - view.span;
  };

  const setRange = (from, to) => {
    const span = clampSpan(to - from), middle = (from + to) / 2;
    const now = window.plantview.nowMs();
    let end = Math.round((middle + span / 2) / SECOND) * SECOND;
    view.live = end >= now - span / 50;
    if (view.live) end = Math.ceil(now / SECOND) * SECOND;
    Object.assign(view, { span, to: end, from: end - span });
    changed();
  };

  const setSpan = (span) => {
    const end = view.to;
    Object.assign(view, { span: clampSpan(span) });
    if (!view.live) Object.assign(view, { to: end, from: end - view.span });
    changed();
  };
  const setLive = () => { view.live = true; changed(); };
  const pan = (share) => setRange(view.from + share * view.span, view.to + share * view.span);
  const zoom = (factor, at = view.live ? 1 : 0.5) => {
    const centre = view.from + at * view.span;
    const span = clampSpan(view.span * factor);
    if (view.live && at === 1) setSpan(span); else setRange(centre - at * span, centre + (1 - at) * span);
  };
  const setBack = (days) => { view.back = days; changed(); };

  const choose = (name, on) => {
    if (on && view.points.length >= POINTS_MAX) { answer(`${POINTS_MAX} values at most; take one away first`); return false; }
    view.points = on ? [...view.points, name] : view.points.filter((each) => each !== name);
    changed();
    for (const hear of hearers.points) hear(view);
    return true;
  };

  const changed = () => {
    settle();
    writeAddress();
    paintTimes();
    load();
  };

  /* --- the past, as packed numbers (plantview/web/trends_answers.py says how) ---------------------------- */
  const questionOf = (from, to, width, form) => {
    const query = new URLSearchParams(view.points.map((name) => ["point", name]));
    for (const [name, value] of Object.entries({ from: Math.round(from), to: Math.round(to), width, units: state().units, form })) query.set(name, value);
    return `/api/v1/history?${query}`;
  };

  const GAP = 4, NOTHING = 5;
  const unpack = (buffer, names) => {
    const data = new DataView(buffer);
    const n = data.getUint32(0, true), k = data.getUint32(4, true);
    const at = [...new Uint32Array(buffer, 8, n)];
    let place = 8 + 4 * n;
    const series = names.slice(0, k).map((name) => {
      const base = data.getFloat64(place, true);
      place += 8;
      const [low, high, mid] = [0, 1, 2].map((index) => new Float32Array(buffer, place + 4 * n * index, n));
      const quality = new Uint8Array(buffer, place + 12 * n, n);
      place += 13 * n + ((4 - (n % 4)) % 4);
      // null breaks a line, undefined does not
      const numbers = (packed) => Array.from(packed, (value, i) => (quality[i] === GAP ? null : Number.isNaN(value) ? undefined : base + value));
      return { name, low: numbers(low), high: numbers(high), mid: numbers(mid), quality: [...quality] };
    });
    return { at, series };
  };

  const ask = async (from, to, signal) => {
    const width = Math.max(WIDTH_MIN, Math.min(WIDTH_MAX, Math.round(one("#trend-plot").clientWidth || 800)));
    const names = [...view.points];
    const got = await fetch(questionOf(from, to, width, "packed"), { signal });
    if (!got.ok) {
      const problem = await got.json();
      throw new Error(`${problem.detail}. ${problem.remedy}`);
    }
    return { ...unpack(await got.arrayBuffer(), names), live: got.headers.get("x-live") === "yes" };
  };

  /* The same clock time some days before: an hour less or more over a change of summer time. */
  const daysBefore = (ms, days) => {
    const offset = (at) => {
      const parts = new Intl.DateTimeFormat("en-US", { timeZone: state().zone || "UTC", timeZoneName: "longOffset" }).formatToParts(at);
      const found = /([+-])(\d\d):(\d\d)/.exec(parts.find((part) => part.type === "timeZoneName").value);
      return found ? (found[1] === "-" ? -1 : 1) * (Number(found[2]) * 60 + Number(found[3])) * 60 * SECOND : 0;
    };
    const plain = ms - days * DAY;
    return plain + offset(ms) - offset(plain);
  };

  const load = async () => {
    request?.abort();
    request = new AbortController();
    renewedAt = performance.now();
    const number = (asked += 1), { from, to } = view;
    answer(note);
    if (!view.points.length) return show({ from, to, at: [], series: [], other: null, live: true });
    one("#trends").setAttribute("aria-busy", "true");
    try {
      const signal = request.signal;
      const start = view.back ? daysBefore(from, view.back) : 0;
      const [now, other] = await Promise.all([ask(from, to, signal), view.back ? ask(start, start + to - from, signal) : null]);
      if (number !== asked) return undefined;
      answer(now.live ? note : "The field process does not answer: the newest hours may be missing.");
      if (other) Object.assign(other, { start });
      show({ from, to, ...now, other });
    } catch (error) {
      if (error.name !== "AbortError") answer(`The past cannot be read now: ${error.message}`);
    } finally {
      if (number === asked) one("#trends").removeAttribute("aria-busy");
    }
    return undefined;
  };

  const show = (data) => {
    shown = data;
    for (const hear of hearers.data) hear(data, view);
  };

  /* --- the times ------------------------------------------------------------------------------------------- */
  const button = (words, act, more = {}) => {
    const node = make("button", { type: "button", ...more }, words);
    node.addEventListener("click", act);
    return node;
  };

  const buildTimes = () => {
    const back = make("select", { id: "trend-back", "aria-label": "Compare with the same period of another day" },
      ...BACKS.map(([words, days]) => make("option", { value: days }, days ? `beside ${words}` : words)));
    back.addEventListener("change", () => setBack(Number(back.value)));
    const ends = ["from", "to"].map((end) => {
      const box = make("input", { id: `trend-${end}`, type: "datetime-local", "aria-label": `${end === "from" ? "From" : "Until"}, ${state().zone || "UTC"}` });
      box.addEventListener("change", () => typedRange(end, box.value));
      return box;
    });
    const save = make("a", { id: "trend-save", class: "button", download: "" }, "Save CSV");
    save.addEventListener("click", () => { save.href = questionOf(view.from, view.to, Math.min(WIDTH_MAX, one("#trend-plot").clientWidth), "csv"); });
    save.href = "/api/v1/history";
    one("#trend-times").replaceChildren(
      make("span", { class: "set" }, ...PRESETS.map(([words, span]) => button(words, () => { view.live = true; setSpan(span); }, { "data-span": span, "aria-label": `Last ${words}` }))),
      make("span", { class: "set" }, button("◂", () => pan(-0.5), { "aria-label": "Earlier" }), button("▸", () => pan(0.5), { "aria-label": "Later" }),
        button("−", () => zoom(2), { "aria-label": "Longer span" }), button("+", () => zoom(0.5), { "aria-label": "Shorter span" }),
        button("Live", setLive, { id: "trend-live" })),
      make("span", { class: "set ends" }, ends[0], make("span", { "aria-hidden": "true" }, "–"), ends[1]),
      back,
      make("span", { class: "set" }, button("Choose values", openChooser, { id: "trend-choose", "aria-expanded": "false", "aria-controls": "trend-chooser" }),
        button("Table", () => window.plantviewTrends.toggleTable(), { id: "trend-as-table", "aria-pressed": "false" }), save));
  };

  const openChooser = () => window.plantviewTrends.toggleChooser();

  /* A local time of the site, as the box wants it; and back. */
  const localBox = (ms) => {
    const parts = Object.fromEntries(new Intl.DateTimeFormat("en-GB", {
      timeZone: state().zone || "UTC", hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit",
    }).formatToParts(ms).map((part) => [part.type, part.value]));
    return `${parts.year}-${parts.month}-${parts.day}T${parts.hour}:${parts.minute}:${parts.second}`;
  };
  const fromBox = (text) => {
    let ms = Date.parse(`${text.slice(0, 16)}:00Z`);
    const wanted = ms;
    for (let round = 0; round < 2; round += 1) ms += wanted - Date.parse(`${localBox(ms)}Z`);
    return ms;
  };
  const typedRange = (end, text) => {
    const ms = fromBox(text);
    if (!Number.isFinite(ms)) return;
    const from = end === "from" ? ms : view.from, to = end === "to" ? ms : view.to;
    if (to - from < SPAN_MIN) { answer("the end must lie a minute after the beginning, at least"); return; }
    setRange(from, to);
  };

  const paintTimes = () => {
    if (!one("#trend-live")) return;
    for (const node of one("#trend-times").querySelectorAll("[data-span]")) {
      node.setAttribute("aria-pressed", String(view.live && Number(node.dataset.span) === view.span));
    }
    one("#trend-live").setAttribute("aria-pressed", String(view.live));
    for (const end of ["from", "to"]) {
      const box = one(`#trend-${end}`);
      if (document.activeElement !== box) box.value = localBox(view[end]).slice(0, 16);
    }
    const select = one("#trend-back");
    if (![...select.options].some((option) => Number(option.value) === view.back)) {
      select.append(make("option", { value: view.back }, `beside ${view.back} days before`));
    }
    select.value = String(view.back);
  };

  /* --- beginning, and the live tail --------------------------------------------------------------------------- */
  const begin = () => {
    if (begun || !one("#trends") || !Object.keys(state().signals).length) return;
    begun = true;
    Object.assign(told, JSON.parse(one("#trends").dataset.trends));
    readAddress();
    buildTimes();
    for (const hear of hearers.points) hear(view);
    window.plantviewTrends.whenDrawn().then(changed, (error) => answer(`The drawing cannot be loaded: ${error.message}`));
  };

  const renewal = () => Math.min(RENEW_MAX, Math.max(RENEW_MIN, view.span / 500 / (state().speed || 1)));

  onPage(begin);
  onPaint((message) => {
    if (!one("#trends")) return;
    begin();
    if (!begun || document.hidden) return;
    if (message.kind === "units" && shown) load();
    else if (view.live && shown && performance.now() - renewedAt > renewal()) {
      settle();
      paintTimes();
      load();
    }
  });

  window.plantviewTrends = {
    view, told, state, pan, zoom, setRange, setLive, choose, answer, GAP, NOTHING, SECOND, DAY, daysBefore,
    data: () => shown, onData: (hear) => hearers.data.push(hear), onPoints: (hear) => hearers.points.push(hear),
  };
})();
