/* The headline numbers with their range bars, and the alarm strip. */
(() => {
  "use strict";

  const STALE = 2, BAD = 3, STRIP_MAX = 4;
  const { state, text, clockText, subscribe } = window.plantview;
  const { standingNames, say, mark, set, draw, sign, worst, alarmsBy } = window.plantviewMarks;

  function make(parent, tag, class_, words) {
    const node = document.createElement(tag);
    if (class_) node.className = class_;
    if (words) node.textContent = words;
    parent.appendChild(node);
    return node;
  }

  function htmlSign(parent, name) {
    const svg = draw(parent, "svg", { class: "sign", viewBox: "0 0 32 32", "aria-hidden": "true" });
    sign(svg, name, 0, 0, 32);
    return svg;
  }

  /* --- headline --------------------------------------------------------------------------------- */
  function buildHeadline(section) {
    section.replaceChildren();
    section.built = JSON.parse(section.dataset.headline || "[]").map((item) => {
      const node = make(section, document.body.classList.contains("wall") ? "div" : "button", "headline-item");
      node.type = "button";
      node.dataset.signal = item.signal;
      const label = make(node, "span", "headline-label");
      make(label, "span", "", item.label);
      const value = make(node, "span", "headline-value");
      const badge = htmlSign(value, "");
      const number = make(value, "span", "number", "?"), unit = make(value, "span", "unit");
      const bar = draw(node, "svg", { class: "range-bar", "aria-hidden": "true" });
      draw(bar, "rect", { class: "track", x: 0, y: 3, width: "100%", height: 6 });
      return {
        item, node, badge, number, unit, note: make(node, "span", "headline-note"),
        band: draw(bar, "rect", { class: "band", y: 3, height: 6, width: 0 }),
        now: tick(bar, "now", "M-2.5 -1H2.5V13H-2.5Z"), target: tick(bar, "target", "M0 8L7 17H-7Z"),
      };
    });
  }

  function tick(bar, class_, d) {
    const place = draw(bar, "svg", { class: `${class_} none`, x: "0%", overflow: "visible" });
    draw(place, "path", { d });
    return place;
  }

  function onBar(range, value) {
    return `${(Math.min(1, Math.max(0, (value - range[0]) / (range[1] - range[0]))) * 100).toFixed(1)}%`;
  }

  function move(place, range, value) {
    mark(place, "none", value === null);
    if (value !== null) set(place, "x", onBar(range, value));
  }

  function companionText(companion) {
    const shown = text(companion.signal);
    const old = shown.quality === STALE ? " (stale)" : "";
    return `${companion.label} ${shown.quality >= BAD ? "?" : `${shown.number} ${shown.unit}${old}`}`;
  }

  function patchHeadline() {
    const section = document.getElementById("headline");
    if (!section || !state.seq) return;
    if (!section.built) buildHeadline(section);
    const byPoint = alarmsBy("point");
    for (const entry of section.built) {
      const { item, node } = entry, shown = text(item.signal), priority = worst(byPoint[item.signal] || []);
      mark(node, "bad", shown.quality >= BAD);
      mark(node, "stale", shown.quality === STALE);
      mark(node, "standing", standingNames.has(item.signal));
      for (const p of [1, 2, 3, 4]) mark(node, `p${p}`, priority === p);
      sign(entry.badge, priority ? `p${priority}` : shown.quality === STALE ? "clock" : "", 0, 0, 32);
      mark(entry.badge, "none", !priority && shown.quality !== STALE);
      say(entry.number, shown.quality >= BAD ? "?" : shown.number);
      say(entry.unit, shown.quality >= BAD ? "" : shown.unit);
      const notes = [standingNames.has(item.signal) ? "no flow" : "", item.note, ...item.companions.map(companionText)].filter(Boolean);
      say(entry.note, shown.quality >= BAD ? shown.reason : notes.join(" · "));
      move(entry.now, item.range, shown.quality < STALE ? state.readings[item.signal][0] : null);
      const wanted = item.companions.find((companion) => companion.setpoint);
      const target = wanted ? state.readings[wanted.signal] : null;
      move(entry.target, item.range, target && target[1] < STALE ? target[0] : null);
      if (item.band) {
        set(entry.band, "x", onBar(item.range, item.band[0]));
        set(entry.band, "width", `${parseFloat(onBar(item.range, item.band[1])) - parseFloat(onBar(item.range, item.band[0]))}%`);
      }
      set(node, "aria-label", `${item.label}: ${shown.quality >= BAD ? `no value, ${shown.reason}` : `${shown.number} ${shown.unit}`}. ${notes.join(", ")}`);
    }
  }

  /* --- alarm strip ------------------------------------------------------------------------------ */
  function alarmRow(strip, alarm) {
    const row = make(strip, "div", `alarm-row p${alarm.priority}${alarm.acked ? "" : " unacked"}`);
    htmlSign(row, `p${alarm.priority}`);
    make(row, "span", "who", alarm.equipment);
    make(row, "span", "what", alarm.text);
    make(row, "time", "when", clockText(alarm.since_ms).slice(0, 5));
    set(row, "aria-label", `priority ${alarm.priority}, ${alarm.equipment}, ${alarm.text}${alarm.acked ? ", acknowledged" : ""}`);
  }

  function patchStrip() {
    const strip = document.getElementById("alarm-strip");
    if (!strip) return;
    const active = [...(state.alarms.active || [])].sort((a, b) => a.acked - b.acked || a.priority - b.priority || b.since_ms - a.since_ms);
    const key = JSON.stringify([active.map((a) => [a.id, a.priority, a.text, a.acked, a.since_ms]), state.silent]);
    if (strip.shown === key) return;
    strip.shown = key;
    strip.replaceChildren();
    active.slice(0, STRIP_MAX).forEach((alarm) => alarmRow(strip, alarm));
    if (active.length > STRIP_MAX) make(strip, "div", "alarm-none", `and ${active.length - STRIP_MAX} more`);
    if (!active.length) make(strip, "div", "alarm-none", state.silent ? "Alarms unknown: no data" : "No active alarms");
  }

  subscribe(() => {
    patchHeadline();
    patchStrip();
  });
})();
