/* Small charts of our own as SVG: axes that fit the numbers, lines that break where nothing is known, areas, points.
   Loaded before pages_equipment.js and pages_performance.js, which use window.plantviewCharts. */
(() => {
  "use strict";

  const { make, fixed } = window.plantviewPages;
  const BOX = { width: 640, height: 260, top: 14, right: 24, bottom: 40, left: 58 };
  const TICKS = 5;

  /* A step of 1, 2 or 5 times a power of ten, and the decimals that it needs. */
  const stepFor = (span, ticks = TICKS) => {
    const rough = span / ticks, power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((each) => each * power).find((each) => each >= rough * 0.999);
    return [step, Math.max(0, -Math.floor(Math.log10(step) + 1e-9))];
  };

  const known = (value) => value !== null && value !== undefined && Number.isFinite(value);

  const axis = (values, { zero = false, least = 1e-6 } = {}) => {
    let low = Infinity, high = -Infinity;
    for (const value of values) if (known(value)) { low = Math.min(low, value); high = Math.max(high, value); }
    if (low > high) return null;
    if (zero) { low = Math.min(0, low); high = Math.max(0, high); }
    if (high - low < least) [low, high] = [low - least / 2, high + least / 2];
    const [step, digits] = stepFor(high - low);
    return { low: Math.floor(low / step + 1e-9) * step, high: Math.ceil(high / step - 1e-9) * step, step, digits };
  };

  const line = (x1, y1, x2, y2, kind) => make("line", { class: kind, x1: x1.toFixed(1), y1: y1.toFixed(1), x2: x2.toFixed(1), y2: y2.toFixed(1) });
  const words = (x, y, text, anchor = "middle") => make("text", { x: x.toFixed(1), y: y.toFixed(1), "text-anchor": anchor }, text);

  /* A place to draw: x and y lead from numbers to the paper; ticks of x are [[number, text], …]. */
  const sheet = ({ x, y, xTicks, xName, yName, height = BOX.height }) => {
    const right = BOX.width - BOX.right, bottom = height - BOX.bottom;
    const placeX = (value) => BOX.left + ((value - x.low) / (x.high - x.low || 1)) * (right - BOX.left);
    const placeY = (value) => bottom - ((value - y.low) / (y.high - y.low || 1)) * (bottom - BOX.top);
    const parts = [];
    for (let at = y.low; at <= y.high + y.step / 2; at += y.step) {
      parts.push(line(BOX.left, placeY(at), right, placeY(at), "trend-grid"), words(BOX.left - 6, placeY(at) + 4, fixed(at, y.digits), "end"));
    }
    for (const [at, text] of xTicks || ticksOf(x)) parts.push(line(placeX(at), bottom, placeX(at), bottom + 5, "trend-rule"), words(placeX(at), bottom + 19, text));
    parts.push(line(BOX.left, bottom, right, bottom, "trend-rule"));
    if (xName) parts.push(words((BOX.left + right) / 2, height - 3, xName));
    return { placeX, placeY, parts, height, yName };
  };

  const ticksOf = (x) => {
    const found = [];
    for (let at = x.low; at <= x.high + x.step / 2; at += x.step) found.push([at, fixed(at, x.digits)]);
    return found;
  };

  /* Pieces of a line between what is not known. */
  const pieces = (xs, ys) => {
    const found = [];
    let piece = null;
    ys.forEach((value, index) => {
      if (!known(value)) { piece = null; return; }
      if (!piece) found.push(piece = []);
      piece.push([xs[index], value]);
    });
    return found;
  };

  const path = (piece, { placeX, placeY }, kind) => make("path", { class: kind, d: piece.map(([x, y], i) => `${i ? "L" : "M"}${placeX(x).toFixed(1)},${placeY(y).toFixed(1)}`).join("") + (piece.length === 1 ? "h1.5" : "") });
  const lines = (xs, ys, on, kind = "trend-line") => pieces(xs, ys).map((piece) => path(piece, on, kind));

  /* The ground between two edges, in pieces where both are known. */
  const area = (xs, lower, upper, { placeX, placeY }, kind) => {
    const found = [];
    let piece = null;
    xs.forEach((x, index) => {
      if (!known(lower[index]) || !known(upper[index])) { piece = null; return; }
      if (!piece) found.push(piece = []);
      piece.push([placeX(x), placeY(lower[index]), placeY(upper[index])]);
    });
    return found.map((each) => {
      const wide = each.length > 1 ? each : [each[0], [each[0][0] + 1.5, each[0][1], each[0][2]]];
      const there = wide.map(([x, , top]) => `${x.toFixed(1)},${top.toFixed(1)}`), back = wide.toReversed().map(([x, bottom]) => `${x.toFixed(1)},${bottom.toFixed(1)}`);
      return make("path", { class: kind, d: `M${[...there, ...back].join("L")}Z` });
    });
  };

  /* Steps between a lower and an upper edge: each interval reaches from its start to the next. */
  const bars = (xs, step, lower, upper, { placeX, placeY }, kind) => xs.flatMap((x, index) => {
    if (!known(lower[index]) || !known(upper[index]) || upper[index] <= lower[index]) return [];
    const top = placeY(upper[index]);
    return [make("rect", { class: kind, x: placeX(x).toFixed(2), y: top.toFixed(2), width: Math.max(0.5, placeX(x + step) - placeX(x) + 0.15).toFixed(2), height: (placeY(lower[index]) - top).toFixed(2) })];
  });

  const clockTicks = (from, to, text) => {
    const hours = [3, 6, 24, 48, 120].find((each) => (to - from) / (each * 3600000) <= 9) || 240, step = hours * 3600000;
    const zone = document.documentElement.dataset.zone || "UTC", found = [];
    const shift = (at) => new Date(new Date(at).toLocaleString("en-US", { timeZone: zone })).getTime() - new Date(new Date(at).toLocaleString("en-US", { timeZone: "UTC" })).getTime();
    for (let at = Math.ceil((from + shift(from)) / step) * step - shift(from); at <= to; at += step) found.push([at, text(at, hours)]);
    return found;
  };

  const figure = (on, label, caption, ...more) => make("figure", { class: "chart" },
    ...(on.yName ? [make("p", { class: "chart-unit" }, on.yName)] : []),
    make("svg", { viewBox: `0 0 ${BOX.width} ${on.height}`, role: "img", "aria-label": label }, ...on.parts, ...more), make("figcaption", {}, caption));

  window.plantviewCharts = { axis, sheet, lines, bars, area, figure, clockTicks, known, BOX };
})();
