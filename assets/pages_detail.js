/* The detail of one value: what it is, how good it is, where it comes from, its last hour. */
(() => {
  "use strict";

  const { one, make, say, fixed, shown, fillValue, pieces, hhmm, hhmmss, zoneName, age, onPaint } = window.plantviewPages;
  const HOUR_MS = 3600000;
  const MINUTE_MS = 60000;
  const SHORTEST_MS = 5 * MINUTE_MS;
  const TICKS_MAX = 5;
  const RENEW_MS = 15000;
  const [WIDTH, HEIGHT, TOP, BOTTOM, LEFT, RIGHT] = [420, 190, 14, 26, 52, 8];

  let open = null;
  let opener = null;
  let described = null;
  let renewedAt = -Infinity;

  const describe = async (name) => {
    if (!described?.has(name)) {
      const answer = await fetch("/api/v1/points");
      described = new Map((await answer.json()).map((point) => [point.point, point]));
    }
    return described.get(name);
  };

  const QUALITY_WORDS = {
    GOOD: "good", UNCERTAIN: "uncertain: used, and marked", STALE: "stale: not renewed, not used", BAD: "bad: no value is known",
  };

  const fact = (list, term, ...children) => list.append(make("dt", {}, term), make("dd", {}, ...children));

  const show = async (name, from) => {
    open = name;
    opener = from;
    renewedAt = -Infinity;
    const panel = one("#detail");
    const point = await describe(name);
    if (open !== name) return;
    const close = make("button", { type: "button", class: "close", "aria-label": "Close" }, "Close");
    close.addEventListener("click", hide);
    const facts = make("dl");
    fact(facts, "Quality", make("span", { id: "detail-quality" }));
    fact(facts, "Read", make("span", { id: "detail-age" }));
    if (point) describeSource(facts, point);
    panel.replaceChildren(
      make("div", { class: "detail-head" }, make("h2", {}, point ? `${point.equipment} ${point.label}` : name), close),
      make("div", { id: "detail-value" }), make("p", { id: "detail-u95" }), make("div", { id: "detail-trend" }),
      make("a", { class: "trend-open", href: `/trends?p=${encodeURIComponent(name)}` }, "Open in trends"), facts);
    panel.hidden = false;
    paint(window.plantview.state);
    close.focus();
  };

  const describeSource = (facts, point) => {
    fact(facts, "Name", make("code", {}, point.point));
    if (!point.derived) {
      fact(facts, "Device", `${point.device}, ${point.address}`);
      fact(facts, "As reported", make("span", { id: "detail-reported" }));
      fact(facts, "Asked every", `${point.period_s} s`);
    } else if (point.inputs.length) {
      fact(facts, "Worked out from", make("ul", { id: "detail-inputs" }, ...point.inputs.map((input) => make("li", { "data-input": input }))));
    }
    if (point.note) fact(facts, "Note", point.note);
  };

  const hide = () => {
    const panel = one("#detail");
    if (!panel || panel.hidden) return;
    panel.hidden = true;
    panel.replaceChildren();
    open = null;
    opener?.focus?.();
  };

  const paint = (state) => {
    if (!open || one("#detail").hidden) return;
    const value = shown(open, state);
    fillValue(one("#detail-value"), value);
    say(one("#detail-u95"), unsure(value, state));
    say(one("#detail-quality"), value.reason ? `${QUALITY_WORDS[value.quality]} (${value.reason})` : QUALITY_WORDS[value.quality]);
    const at = state.readings?.[open]?.[3];
    say(one("#detail-age"), at ? `${hhmmss(at)} ${zoneName(at)}, ${age(value.age_s)} ago` : "never");
    const point = described?.get(open);
    if (point && one("#detail-reported")) paintReported(point, state);
    for (const item of one("#detail").querySelectorAll("[data-input]")) paintInput(item, state);
    if (performance.now() - renewedAt > RENEW_MS) {
      renewedAt = performance.now();
      trend(open, state);
    }
  };

  /* How far a derived value may be off, in two digits; empty where no number is shown. */
  const unsure = (value, state) => {
    const u95 = state.readings?.[open]?.[4];
    if (value.number === "" || u95 === undefined || !value.signal) return "";
    const width = Number((u95 * value.signal[state.units].f).toPrecision(2));
    return `± ${`${width} ${value.unit}`.trim()}, in 95 of 100 cases, by the accuracy of its sensors`;
  };

  const paintReported = (point, state) => {
    const [value, quality] = state.readings[point.point] || [null, 3];
    const known = value !== null && quality < 3;
    const word = known ? point.states[String(Math.trunc(value))] : "";
    say(one("#detail-reported"), known ? `${Number(value.toPrecision(7))} ${point.unit}${word ? ` (${word})` : ""}` : "no number");
  };

  const paintInput = (item, state) => {
    const name = item.dataset.input;
    const value = shown(name, state);
    const at = state.readings?.[name]?.[3];
    const doubt = value.quality === "GOOD" ? "" : `, ${value.quality}`;
    say(item, `${name} ${value.number === "" ? "?" : `${value.number} ${value.unit}`}${at ? `, ${hhmmss(at)}` : ""}${doubt}`);
  };

  const trend = async (name, state) => {
    const box = one("#detail-trend");
    try {
      const to = state.now_ms;
      const answer = await fetch(`/api/v1/history?point=${encodeURIComponent(name)}&from=${to - HOUR_MS}&to=${to}`);
      const read = await answer.json();
      if (!answer.ok) throw new Error(read.detail);
      if (open === name) box.replaceChildren(draw(read, state.signals[name], state.units));
    } catch (error) {
      if (open === name) box.replaceChildren(make("p", { class: "quiet" }, `The last hour cannot be read now: ${error.message}`));
    }
  };

  const draw = (read, signal, units) => {
    const scale = signal[units];
    // soon after a start the axis begins with the first sample, so that there is something to see
    const whole = read.from_ms;
    const first = read.at_ms.length ? read.at_ms[0] : whole;
    read.from_ms = Math.min(Math.max(whole, first), read.to_ms - SHORTEST_MS);
    const placeX = (at) => LEFT + ((at - read.from_ms) / (read.to_ms - read.from_ms)) * (WIDTH - LEFT - RIGHT);
    const found = pieces(read, signal, units, placeX);
    const values = found.flat().map(([, value]) => value);
    if (!values.length) return make("p", { class: "quiet" }, "Nothing was read in the last hour.");
    const [low, high] = [Math.min(...values), Math.max(...values)];
    const least = 4 * 10 ** -scale.d;
    const [bottom, top] = high - low < least ? [(low + high - least) / 2, (low + high + least) / 2] : [low, high];
    const placeY = (value) => HEIGHT - BOTTOM - ((value - bottom) / (top - bottom)) * (HEIGHT - TOP - BOTTOM);
    const name = (value) => (Object.keys(signal.states).length ? signal.states[String(value)] ?? String(value) : `${fixed(value, scale.d)} ${scale.u}`);
    const short = (value) => (Object.keys(signal.states).length ? name(value) : fixed(value, scale.d));
    const ends = low === high ? [[placeY(low) + 4, short(low)]] : [[placeY(high) + 4, short(high)], [placeY(low) + 4, short(low)]];
    const span = read.from_ms - whole < MINUTE_MS ? "Last hour" : `Since ${hhmm(Math.max(first, read.from_ms))}`;
    const text = `${span}: lowest ${name(low)}, highest ${name(high)}`;
    const lines = found.map((piece) => make("path", { class: "trend-line", d: piece.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)},${placeY(y).toFixed(1)}`).join("") + (piece.length === 1 ? "h1" : "") }));
    return make("figure", {},
      make("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": text },
        ...timeAxis(read, placeX), ...ends.map(([y, words]) => make("text", { x: LEFT - 6, y, "text-anchor": "end" }, words)),
        make("line", { class: "trend-rule", x1: LEFT, x2: WIDTH - RIGHT, y1: HEIGHT - BOTTOM, y2: HEIGHT - BOTTOM }), ...lines),
      make("figcaption", {}, text));
  };

  const timeAxis = (read, placeX) => {
    const step = [1, 2, 5, 10, 15].map((minutes) => minutes * MINUTE_MS).find((ms) => (read.to_ms - read.from_ms) / ms <= TICKS_MAX) || 15 * MINUTE_MS;
    const marks = [];
    for (let at = Math.ceil(read.from_ms / step) * step; at <= read.to_ms; at += step) {
      const x = placeX(at).toFixed(1);
      const anchor = x < LEFT + 20 ? "start" : x > WIDTH - 30 ? "end" : "middle";
      marks.push(make("line", { class: "trend-grid", x1: x, x2: x, y1: TOP, y2: HEIGHT - BOTTOM }),
        make("text", { x, y: HEIGHT - 8, "text-anchor": anchor }, hhmm(at)));
    }
    return marks;
  };

  const valueOf = (target) => {
    const node = target.closest?.("[data-signal]");
    return node ? [node.dataset.signal, node] : null;
  };
  document.addEventListener("click", (event) => {
    const found = valueOf(event.target);
    if (found && !event.target.closest("#detail")) show(...found);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
    // in the drawing live.js turns Enter into a click
    const found = (event.key === "Enter" || event.key === " ") && !event.target.closest("g.value") ? valueOf(event.target) : null;
    if (found) { event.preventDefault(); show(...found); }
  });

  onPaint((message, state) => {
    if (message.kind === "units") renewedAt = -Infinity;
    paint(state);
  });
})();
