/* Equipment page: a machine beside what its own model expects of it: now, over the last day, and how far the model reaches.
   Loaded after pages_equipment.js, which asks for window.plantviewOwnModel while it draws. */
(() => {
  "use strict";

  if (!["/equipment", "/plant/machine"].includes(location.pathname)) return;
  const { one, make, say, fixed, shown, fillValue, siToShown, moment, hhmm } = window.plantviewPages;
  const { axis, sheet, lines, area, figure, clockTicks, known } = window.plantviewCharts;
  const BASES = ["power", "kw_per_ton", "leaving_temp", "approach"];
  const HEAD = ["Value", "Now", "Expected", "Above expected", "Normal"];
  const SHAPE = ["", "n", "n", "n", "why"];

  const state = () => window.plantview.state;
  const signal = (name) => state().signals?.[name];
  const number = (value) => Number(value.number.replace("−", "-"));

  /* What is measured, expected and left over of one quantity; a machine's power may come from its meter. */
  const rowsOf = (about) => BASES.filter((base) => signal(`${about.id}.${base}_expected`)).map((base) => {
    const own = `${about.id}.${base}`, measured = [own, ...about.parts.map((part) => `${part}.${base}`)].find(signal);
    const named = (ending) => (signal(`${own}_${ending}`) ? `${own}_${ending}` : "");
    return { base, measured, expected: `${own}_expected`, above: named("above_expected"), low: named("normal_low"), high: named("normal_high") };
  });

  /* The band that the machine's own model calls normal now; null where there is none, or one of its edges is unknown. */
  const bandOf = ({ low, high }) => {
    if (!low || !high) return null;
    const [from, to] = [shown(low, state()), shown(high, state())];
    return from.number === "" || to.number === "" ? null : { from, to };
  };

  const normalWords = (row) => {
    const band = bandOf(row), now = shown(row.measured, state());
    if (!band) return { text: "", outside: false };
    const outside = now.number !== "" && (number(now) < number(band.from) || number(now) > number(band.to));
    return { text: `${outside ? "outside normal" : "normal"} ${band.from.number} to ${band.to.number}`, outside };
  };

  const build = (about, box) => {
    const rows = rowsOf(about);
    const cell = (name, heading) => make("td", { class: "value n", "data-of": heading, ...(name ? { "data-own": name, "data-signal": name, tabindex: "0", role: "button" } : {}) });
    const body = rows.map((row) => make("tr", { "data-base": row.base }, make("th", { scope: "row" }, signal(row.measured || row.expected).label),
      cell(row.measured, "Now"), cell(row.expected, "Expected"), cell(row.above, "Above expected"), make("td", { class: "why" })));
    const head = HEAD.map((text, index) => make("th", { scope: "col", class: SHAPE[index] }, text));
    const caption = `${about.id} beside what it is used to`;
    box.replaceChildren(
      ...(rows.length ? [make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": caption }, make("table", {}, make("caption", {}, caption), make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...body)))] : []),
      make("p", { class: "quiet", id: "equipment-normal" }), make("div", { id: "equipment-model-day" }), make("div", { id: "equipment-model-facts" }));
  };

  const hint = (about) => {
    const rows = rowsOf(about), values = rows.map((row) => shown(row.expected, state()));
    if (!rows.length) return "No model of this machine can be built here: what it needs is not measured.";
    if (values.some((value) => value.number !== "")) return "Normal: what 19 of 20 readings stayed within on days that the model had not seen. A reading outside is worth a look, not a fault.";
    const why = values.find((value) => value.reason)?.reason;
    return `No expected value now: ${why || "its model gives no number"}.${about.model ? "" : " Models are fitted to stored history by plantview learn."}`;
  };

  const paint = (about) => {
    for (const node of document.querySelectorAll("#equipment-model [data-own]")) fillValue(node, shown(node.dataset.own, state()));
    for (const row of rowsOf(about)) {
      const place = one(`#equipment-model [data-base="${row.base}"] .why`);
      if (!place) continue;
      const { text, outside } = normalWords(row);
      say(place, text);
      place.classList.toggle("outside", outside);
    }
    say(one("#equipment-normal"), hint(about));
  };

  /* When and from what it was fitted, how well it met days that it had not seen, and where it holds. */
  const facts = (about) => {
    const box = one("#equipment-model-facts"), model = about.model, units = state().units;
    if (!box) return;
    if (!model) { box.replaceChildren(); return; }
    const list = make("dl"), add = (term, ...text) => list.append(make("dt", {}, term), make("dd", {}, ...text));
    add("Fitted", `${moment(model.learned_ms, 0)}, from ${model.samples} steady means of five minutes between ${moment(model.from_ms, 0)} and ${moment(model.to_ms, 0)}`);
    add("Days held back", `${model.held_back} means missed by ${model.rmse_shown[units]} (CV-RMSE ${fixed(model.cv_rmse_pct, 1)} %); 19 of 20 single readings within ${model.band_shown[units]}`);
    if (known(model.gordon_ng_cv_rmse_pct)) add("Gordon-Ng", `three parameters, missed by ${fixed(model.gordon_ng_cv_rmse_pct, 1)} %`);
    add("Holds where seen together", make("ul", {}, ...model.holds_shown[units].map((text) => make("li", {}, text))));
    for (const remark of model.remarks) add("Note", window.plantview.worded(remark));
    box.replaceChildren(list);
  };

  /* Names whose last day is drawn: the first quantity that has a band. */
  const dayNames = (about) => {
    const row = rowsOf(about).find((each) => each.measured && each.low && each.high);
    return row ? [row.measured, row.expected, row.low, row.high] : [];
  };

  const drawDay = (about, day) => {
    const box = one("#equipment-model-day"), names = dayNames(about);
    if (!box || !names.length || !day) return;
    const about_ = signal(names[0]), [now, expected, low, high] = names.map((name) => (day.series[name] || []).map((value) => (value === null ? null : siToShown(about_, value, state().units))));
    const seen = expected.filter(known).length;
    if (!seen) { box.replaceChildren(make("p", { class: "quiet" }, "Nothing was expected of it in the last day: the band appears here as it runs, or for the past after plantview recompute.")); return; }
    const y = axis([...now, ...low, ...high], { least: 4 * 10 ** -about_[state().units].d }), unit = about_[state().units].u;
    const on = sheet({ x: { low: day.from, high: day.to }, y, xTicks: clockTicks(day.from, day.to, hhmm), yName: `${about_.label}, ${unit}` });
    const inside = now.filter((value, index) => known(value) && known(low[index]) && value >= low[index] && value <= high[index]).length;
    const judged = now.filter((value, index) => known(value) && known(low[index])).length;
    const text = `${about_.label}, last day: of ${judged} means with a normal band ${inside} lay inside it`;
    const legend = make("p", { class: "legend" }, ...[["band", "normal"], ["expected", "expected"], ["measured", "measured"]].map(([kind, word]) => make("span", {}, make("span", { class: `swatch own-${kind}`, "aria-hidden": "true" }), word)));
    box.replaceChildren(legend, figure(on, text, text, ...area(day.at, low, high, on, "own-band"), ...lines(day.at, expected, on, "own-expected"), ...lines(day.at, now, on)));
  };

  window.plantviewOwnModel = { build, paint, facts, dayNames, drawDay };
})();
