/* Performance page: what /api/v1/performance says, in the units of the viewer. */
(() => {
  "use strict";

  if (location.pathname !== "/performance") return;
  const { one, all, make, say, fixed, kept, keep, hhmm, moment, onPage, onPaint } = window.plantviewPages;
  const { axis, sheet, lines, bars, figure, clockTicks, known } = window.plantviewCharts;
  const TON = 3.5168528420667, RENEW_MS = 60000, CHOSEN = "plantview.performance.days";
  let told = null, asked = 0, days = kept(CHOSEN, "1"), drawnIn = "";

  const ip = () => window.plantview.state.units === "ip";
  const grouped = (value, digits = 0) => fixed(value, digits).replace(/\B(?=(?:\d{3})+(?!\d))/g, (_, place, whole) => (whole.indexOf(".") >= 0 && place > whole.indexOf(".") ? "" : "\u202f"));
  const or = (value, text) => (known(value) ? text(value) : make("span", { class: "unknown" }, "?"));
  const load = (kw) => (ip() ? kw / TON : kw);
  const loadUnit = () => (ip() ? "tons" : "kW");
  const cooling = (kwh) => (ip() ? `${grouped(kwh / TON)} ton·h` : `${grouped(kwh)} kWh`);
  const hours = (value) => `${fixed(value, value < 10 ? 1 : 0)} h`;
  const dayText = (ms, each) => (each < 24 ? hhmm(ms) : new Intl.DateTimeFormat("en-GB", { timeZone: document.documentElement.dataset.zone || "UTC", day: "2-digit", month: "short" }).format(ms));
  const none = (...text) => make("p", { class: "quiet" }, ...text);
  const kind = (index) => `group group-${index % 5}`;

  const whyNot = (name) => told.unbound[`PLANT.${name}`];

  const total = () => {
    const facts = [
      ["Plant efficiency", or(told.kw_per_ton, (value) => `${fixed(value, 3)} kW/ton`), `energy over cooling of the same ${hours(told.rated_hours)}`],
      ["Energy", or(told.energy_kwh, (value) => `${grouped(value)} kWh`), `in ${hours(told.power_hours)} in which every meter was seen`],
      ["Cooling", or(told.cooling_kwh, cooling), `in ${hours(told.rated_hours)}`],
    ];
    one("#performance-total").replaceChildren(...facts.map(([name, value, note]) => make("div", { class: "fact" }, make("span", { class: "fact-name" }, name), make("strong", {}, value), make("span", { class: "quiet" }, note))));
  };

  /* Cells are rounded for the eye; the last row is the sum of what is shown before rounding. */
  const groups = () => {
    if (!told.groups.length) return none("No machine measures power: add its power point to points.csv, then kW/ton and energy appear here.");
    const head = ["Group", "Energy, kWh", "Share", "kW/ton"].map((text, index) => make("th", { scope: "col", ...(index ? { class: "n" } : {}) }, text));
    const row = (name, energy, ratio, mark) => make("tr", {}, make("th", { scope: "row" }, ...(mark ? [mark] : []), name), make("td", { class: "n" }, or(energy, (value) => grouped(value))),
      make("td", { class: "n" }, or(energy, (value) => (told.energy_kwh ? `${fixed((100 * value) / told.energy_kwh, 1)} %` : ""))), make("td", { class: "n" }, or(ratio, (value) => fixed(value, 3))));
    const rows = told.groups.map((group, index) => row(group.label, group.energy_kwh, group.kw_per_ton, make("span", { class: `swatch ${kind(index)}`, "aria-hidden": "true" })));
    const idle = known(told.energy_kwh) && known(told.rated_energy_kwh) ? told.energy_kwh - told.rated_energy_kwh : null;
    const note = known(idle) && idle >= 0.5 ? `${grouped(idle)} kWh of it were used while the cooling load was not known or below ${grouped(load(told.floor_kw))} ${loadUnit()}; they are in no kW/ton.` : "";
    return make("div", {}, make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": "Energy by group" }, make("table", {}, make("caption", {}, "Energy and kW/ton by group"), make("thead", {}, make("tr", {}, ...head)),
      make("tbody", {}, ...rows, row("all", told.energy_kwh, told.kw_per_ton)))), none(`${note} Meters: ${told.boundary || "as listed under Points"}.`.trim()));
  };

  const timeSheet = (y, yName, more = {}) => sheet({ x: { low: told.from_ms, high: told.to_ms }, y, yName, xTicks: clockTicks(told.from_ms, told.to_ms, dayText), ...more });

  const curve = () => {
    const { start_ms: xs, step_ms: step, kw_per_ton: rows } = told.curve;
    const stacked = told.groups.map((group) => rows[group.id]);
    const tops = xs.map((_, index) => stacked.reduce((sum, row) => (known(sum) && known(row[index]) ? sum + row[index] : null), 0));
    const y = stacked.length ? axis(tops, { zero: true }) : null;
    if (!y) return none(whyNot("kw_per_ton") ? `Cannot be said: ${whyNot("kw_per_ton")}.` : "No interval yet in which power and cooling load were both known. It fills as the plant runs.");
    const on = timeSheet(y, "kW/ton"), parts = [];
    let lower = xs.map(() => 0);
    stacked.forEach((row, index) => {
      const upper = lower.map((below, place) => (known(below) && known(row[place]) ? below + row[place] : null));
      parts.push(...bars(xs, step, lower, upper, on, kind(index)));
      lower = upper;
    });
    const seen = tops.filter(known), minutes = step / 60000;
    const legend = make("p", { class: "legend" }, ...told.groups.map((group, index) => make("span", {}, make("span", { class: `swatch ${kind(index)}`, "aria-hidden": "true" }), group.label)));
    const text = `kW/ton per ${minutes} min: lowest ${fixed(Math.min(...seen), 3)}, highest ${fixed(Math.max(...seen), 3)}`;
    return make("div", {}, legend, figure(on, text, `${text}. Blank where a meter or the load was not seen.`, ...parts));
  };

  const duration = () => {
    const rows = told.duration.load_kw.map(load);
    if (!rows.length) return none(whyNot("cooling_load") ? `Cannot be said: ${whyNot("cooling_load")}.` : "The cooling load was not known in this stretch.");
    const y = axis([...rows, 0], { zero: true }), x = { low: 0, high: 100, step: 20, digits: 0 };
    const on = sheet({ x, y, xName: `% of the ${hours(told.duration.hours)} in which the load was known`, yName: `Cooling load, ${loadUnit()}` });
    const half = rows[Math.round((rows.length - 1) / 2)], share = known(told.capacity_kw) ? `; the chillers' capacity is ${grouped(load(told.capacity_kw))} ${loadUnit()}` : "";
    const text = `Highest ${grouped(rows[0])}, half of the time at least ${grouped(half)}, lowest ${grouped(rows.at(-1))} ${loadUnit()}${share}`;
    return figure(on, `Load duration. ${text}`, text, ...lines(rows.map((_, index) => (100 * index) / (rows.length - 1)), rows, on));
  };

  const balance = () => {
    const rows = told.curve.heat_balance_pct, y = axis(rows, { zero: true, least: 2 });
    if (!y) return none(whyNot("heat_balance") ? `Cannot be said: ${whyNot("heat_balance")}.` : "Cooling, chiller power and heat rejection were never known together in this stretch.");
    const on = timeSheet(y, "Cooling + chiller power − heat rejection, % of heat rejection");
    const seen = rows.filter(known), text = `From ${fixed(Math.min(...seen), 1)} to ${fixed(Math.max(...seen), 1)} %`;
    const zero = lines([told.from_ms, told.to_ms], [0, 0], on, "trend-rule");
    const link = make("a", { href: "/findings" }, "Findings");
    return make("div", {}, figure(on, `Heat balance. ${text}`, `${text}. 0 is a perfect balance.`, ...zero, ...lines(told.curve.start_ms, rows, on)), none("A lasting offset points at a sensor or a meter; ", link, " says whether one stands out."));
  };

  const best = () => {
    const { best: own } = told;
    if (own.why_not) return none(`Unknown: ${own.why_not}. ${own.history_hours} rated hours are stored of the last 90 days; it is worked out by itself as they grow.`);
    const word = own.gap_kwh >= 0 ? "more" : "less";
    const head = ["Load, % of capacity", `Wet bulb, ${ip() ? "°F" : "°C"}`, "Best tenth, kW/ton", "Hours, n"].map((text) => make("th", { scope: "col", class: "n" }, text));
    const wet = (c) => fixed(ip() ? c * 1.8 + 32 : c, ip() ? 1 : 0);
    const rows = own.cells.map((cell) => make("tr", {}, ...[`${fixed(cell.load_pct, 0)} to ${fixed(cell.load_pct + 10, 0)}`, `${wet(cell.wet_bulb_c)} to ${wet(cell.wet_bulb_c + 2)}`, fixed(cell.kw_per_ton, 3), String(cell.n)].map((text) => make("td", { class: "n" }, text))));
    return make("div", {}, make("p", {}, make("strong", {}, `${grouped(Math.abs(own.gap_kwh))} kWh ${word}`), ` (${fixed(Math.abs(own.gap_pct), 1)} %) than at its own best, over the ${own.hours} of ${own.hours_rated} rated hours that have enough like hours to compare with.`),
      make("details", {}, make("summary", {}, "What it is compared with"), make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": "Own best" }, make("table", {}, make("caption", {}, "Best tenth of like hours"), make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)))),
      none(`Like hours: the same tenth of capacity and 2 K of wet bulb, at least ${own.needs.replace(" at like load and wet bulb", "")}, in the last 90 days.`));
  };

  const rates = () => {
    const { rates: given, energy_kwh: energy } = told;
    if (!given) return make("div", {}, none("No rates are in the plant description. Add to plant.toml, then run ", make("code", {}, "plantview reload"), ":"), make("pre", { tabindex: "0" }, '[rates]\nenergy_price = 0.12\ncurrency = "USD"\ncarbon_kg_per_kwh = 0.37'));
    const say_ = [];
    if (known(given.energy_price)) say_.push(["Cost", or(energy, (value) => `${grouped(value * given.energy_price)} ${given.currency}`), `at ${given.energy_price} ${given.currency} per kWh`]);
    if (known(given.carbon_kg_per_kwh)) say_.push(["Carbon", or(energy, (value) => `${grouped(value * given.carbon_kg_per_kwh)} kg CO₂e`), `at ${given.carbon_kg_per_kwh} kg per kWh`]);
    return make("div", {}, make("div", { class: "performance-total" }, ...say_.map(([name, value, note]) => make("div", { class: "fact" }, make("span", { class: "fact-name" }, name), make("strong", {}, value), make("span", { class: "quiet" }, note)))), none("Flat rates times the energy above: no bill. Demand charges and rates by hour are not in it."));
  };

  const draw = () => {
    if (!told) return;
    drawnIn = window.plantview.state.units;
    const missing = told.hours - told.power_hours, gaps = missing >= 0.1 ? `, ${hours(missing)} were not seen whole and are left out of every sum` : "";
    const trouble = told.trouble.length ? ` ${told.trouble[0]}` : "";
    say(one("#performance-said"), `${moment(told.from_ms, 0)} to ${moment(told.to_ms, 0)}: ${hours(told.hours)}${gaps}.${trouble}`);
    total();
    for (const [name, part] of Object.entries({ groups, curve, duration, balance, best, rates })) one(`#performance-${name}`).replaceChildren(part());
    say(one("#performance-caution"), told.caution);
    document.body.dataset.performance = String(told.days);
  };

  const fetchNow = async () => {
    asked = performance.now();
    for (const button of all("#performance-span button")) button.setAttribute("aria-pressed", String(button.dataset.days === days));
    try {
      const answer = await fetch(`/api/v1/performance?days=${days}`), read = await answer.json();
      if (!answer.ok) throw new Error(`${read.detail}: ${read.remedy}`);
      if (String(read.days) !== days) return;
      told = read;
      draw();
    } catch (error) {
      say(one("#performance-said"), `Cannot be read now: ${error.message}`);
    }
  };

  onPage(() => {
    one("#performance-span").addEventListener("click", (event) => {
      if (!event.target.dataset.days) return;
      days = event.target.dataset.days;
      keep(CHOSEN, days);
      say(one("#performance-said"), "Adding up");
      fetchNow();
    });
    if (!one(`#performance-span [data-days="${days}"]`)) days = "1";
    fetchNow();
  });
  onPaint((message, state) => {
    if (told && state.units !== drawnIn) draw();
    if (performance.now() - asked > RENEW_MS) fetchNow();
  });
})();
