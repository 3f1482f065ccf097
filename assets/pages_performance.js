/* Performance page: what /api/v1/performance says, in the units of the viewer. */
(() => {
  "use strict";

  if (location.pathname !== "/performance") return;
  const { one, all, make, say, fixed, kept, keep, hhmm, moment, onPage, onPaint } = window.plantviewPages;
  const { axis, sheet, lines, bars, area, figure, clockTicks, known } = window.plantviewCharts;
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

  /* Two digits of an uncertainty; empty where it is not known. */
  const unsure = (u95, per = 1) => {
    if (!known(u95)) return "";
    const two = Number((u95 * per).toPrecision(2));
    return `± ${two >= 1000 ? grouped(two) : two}`;
  };
  const facts = (rows) => rows.map(([name, value, u95, note]) => make("div", { class: "fact" }, make("span", { class: "fact-name" }, name),
    make("strong", {}, value, ...(u95 ? [make("span", { class: "u95" }, ` ${u95}`)] : [])), make("span", { class: "quiet" }, note)));

  const total = () => {
    const { unsure: u } = told;
    const plus = u.assumed ? `; that of ${u.assumed} of ${u.sensors} sensors is assumed` : "";
    one("#performance-total").replaceChildren(...facts([
      ["Plant efficiency", or(told.kw_per_ton, (value) => `${fixed(value, 3)} kW/ton`), unsure(u.kw_per_ton_u95), `energy over cooling of the same ${hours(told.rated_hours)}`],
      ["Energy", or(told.energy_kwh, (value) => `${grouped(value)} kWh`), unsure(u.energy_u95), `in ${hours(told.power_hours)} in which every meter was seen`],
      ["Cooling", or(told.cooling_kwh, cooling), unsure(u.cooling_u95, ip() ? 1 / TON : 1), `in ${hours(told.rated_hours)}`],
    ]));
    say(one("#performance-unsure"), known(u.kw_per_ton_u95) || known(u.energy_u95) ? `±: in 95 of 100 cases, by the accuracy of the sensors, each taken to err the same way all the time${plus}.` : told.kw_per_ton === null ? "" : "How sure the sums are is not known: the accuracy of a sensor behind them is not.");
  };

  /* Cells are rounded for the eye; the last row is the sum of what is shown before rounding. */
  const groups = () => {
    if (!told.groups.length) return none("No machine measures power: add its power point to points.csv, then kW/ton and energy appear here.");
    const by = told.unsure.groups, cell = (value, text, u95) => make("td", { class: "n" }, or(value, text), ...(known(value) && known(u95) ? [make("span", { class: "u95" }, ` ${unsure(u95)}`)] : []));
    const head = ["Group", "Energy, kWh", "Share", "kW/ton"].map((text, index) => make("th", { scope: "col", ...(index ? { class: "n" } : {}) }, text));
    const row = (name, energy, ratio, u95, mark) => make("tr", {}, make("th", { scope: "row" }, ...(mark ? [mark] : []), name), cell(energy, (value) => grouped(value), u95.energy_u95),
      make("td", { class: "n" }, or(energy, (value) => (told.energy_kwh ? `${fixed((100 * value) / told.energy_kwh, 1)} %` : ""))), cell(ratio, (value) => fixed(value, 3), u95.kw_per_ton_u95));
    const rows = told.groups.map((group, index) => row(group.label, group.energy_kwh, group.kw_per_ton, by[group.id], make("span", { class: `swatch ${kind(index)}`, "aria-hidden": "true" })));
    const idle = known(told.energy_kwh) && known(told.rated_energy_kwh) ? told.energy_kwh - told.rated_energy_kwh : null;
    const note = known(idle) && idle >= 0.5 ? `${grouped(idle)} kWh of it were used while the cooling load was not known or below ${grouped(load(told.floor_kw))} ${loadUnit()}; they are in no kW/ton.` : "";
    return make("div", {}, make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": "Energy by group" }, make("table", {}, make("caption", {}, "Energy and kW/ton by group"), make("thead", {}, make("tr", {}, ...head)),
      make("tbody", {}, ...rows, row("all", told.energy_kwh, told.kw_per_ton, told.unsure)))), none(`${note} Meters: ${told.boundary || "as listed under Points"}.`.trim()));
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

  /* Heat balance over the ground of its tolerance, which is wider the less the running machines are loaded. */
  const balance = () => {
    const rows = told.curve.heat_balance_pct, { pct: half, why_not: noBand } = told.tolerance, xs = told.curve.start_ms;
    const low = half.map((value) => (known(value) ? -value : null)), y = axis([...rows, ...(rows.some(known) ? [...half, ...low] : [])], { zero: true, least: 2 });
    if (!y || !rows.some(known)) return none(whyNot("heat_balance") ? `Cannot be said: ${whyNot("heat_balance")}.` : "Cooling, chiller power and heat rejection were never known together in this stretch.");
    const on = timeSheet(y, "Cooling + chiller power − heat rejection, % of heat rejection"), seen = rows.filter(known), banded = half.filter(known);
    const judged = rows.map((value, index) => (known(value) && known(half[index]) ? Math.abs(value) <= half[index] : null)).filter((each) => each !== null), inside = judged.filter(Boolean).length;
    const band = banded.length ? `${inside} of ${judged.length} intervals lie inside the tolerance of ± ${fixed(Math.min(...banded), 1)} to ± ${fixed(Math.max(...banded), 1)} %` : `no tolerance is drawn: ${noBand || "the load of the machines is not known"}`;
    const text = `From ${fixed(Math.min(...seen), 1)} to ${fixed(Math.max(...seen), 1)} %; ${band}`;
    const zero = lines([told.from_ms, told.to_ms], [0, 0], on, "trend-rule"), edges = [low, half].flatMap((edge) => lines(xs, edge, on, "tolerance-edge"));
    const link = make("a", { href: "/findings" }, "Findings");
    return make("div", {}, ...(banded.length ? [make("p", { class: "legend" }, make("span", {}, make("span", { class: "swatch tolerance", "aria-hidden": "true" }), "tolerance at the load of that time"))] : []),
      figure(on, `Heat balance. ${text}`, `${text}. 0 is a perfect balance.`, ...area(xs, low, half, on, "tolerance"), ...edges, ...zero, ...lines(xs, rows, on)),
      none("Tolerance: 10.5 − 0.07 L + 1500 / (ΔT L), load L in %, design ΔT in °F, after ARI 550/590 of 1998 and 2003, from memory. A lasting offset points at a sensor or a meter; ", link, " says whether one stands out."));
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
    if (known(given.energy_price)) say_.push(["Cost", or(energy, (value) => `${grouped(value * given.energy_price)} ${given.currency}`), unsure(told.unsure.energy_u95, given.energy_price), `at ${given.energy_price} ${given.currency} per kWh`]);
    if (known(given.carbon_kg_per_kwh)) say_.push(["Carbon", or(energy, (value) => `${grouped(value * given.carbon_kg_per_kwh)} kg CO₂e`), unsure(told.unsure.energy_u95, given.carbon_kg_per_kwh), `at ${given.carbon_kg_per_kwh} kg per kWh`]);
    return make("div", {}, make("div", { class: "performance-total" }, ...facts(say_)), none("Flat rates times the energy above: no bill. Demand charges and rates by hour are not in it."));
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
