/* Checkout sheet, captures and report. */
(() => {
  "use strict";

  const { one, make, say, moment, onPage } = window.plantviewPages;
  const { read, post } = window.plantviewAlarms;
  const { seconds, span, big, trouble, initials, initialsBox } = window.plantviewStartup;
  const nowMs = () => window.plantview.nowMs();
  const number = (value) => (value === null || value === undefined ? "" : String(Math.round(value * 1000) / 1000).replace("-", "−"));
  const withUnit = (value, unit) => (value === null || value === undefined ? "" : `${number(value)}${unit ? ` ${unit}` : ""}`);

  /* --- checkout ------------------------------------------------------------------------------------------- */
  const TOLERANCE = "plantview.tolerance";
  let sheet = [];
  const verdict = (word) => make("strong", { class: `verdict ${word}` }, { pass: "PASS", fail: "FAIL", "": "" }[word] ?? word);
  const field = (label, attributes) => {
    const input = make("input", { "aria-label": label, autocomplete: "off", ...attributes });
    return input;
  };
  const checkForm = (row) => {
    const state = Boolean(row.word) || !row.unit;
    const dialog = make("dialog", { class: "command-dialog", "aria-label": `Check ${row.point}` });
    const hand = field("Hand reading", { inputmode: "decimal", class: "big-input" }), tolerance = field("Tolerance", { inputmode: "decimal", class: "big-input", value: row.checked?.tolerance ?? "" });
    const comment = field("Comment", { maxlength: "500", class: "big-input wide", value: row.checked?.comment || "" }), answer = make("p", { role: "alert", class: "summary" });
    const parse = (input) => { const text = input.value.trim().replace(",", ".").replace("−", "-"); return text === "" ? null : Number(text); };
    const send = async (word) => {
      const person = initials();
      const given = { hand: parse(hand), tolerance: parse(tolerance) };
      if (!person) return say(answer, "Enter your initials first: the sheet says who checked.");
      if (Object.values(given).some((value) => value !== null && !Number.isFinite(value))) return say(answer, "Hand reading and tolerance are numbers, such as 44.2.");
      if (!word && (given.hand === null || given.tolerance === null)) return say(answer, "For a comparison enter hand reading and tolerance; or say pass or fail yourself.");
      try {
        await post("/api/v1/startup/check", { point: row.point, ...given, verdict: word, comment: comment.value, person });
        dialog.close();
        readSheet();
      } catch (error) { say(answer, trouble(error)); }
      return undefined;
    };
    dialog.append(make("h2", {}, `${row.equipment}: ${row.label}`),
      make("p", { class: "check-now" }, row.word || withUnit(row.value, row.unit) || `no value: ${row.reason}`),
      make("p", { class: "summary" }, `raw ${number(row.raw)}, ${row.device} ${row.address}; ${row.changes ? `changed ${row.changes === 1 ? "once" : `${row.changes} times`}` : "not seen changing yet"}`),
      ...(state ? [] : [make("label", { class: "startup-field" }, `Hand reading${row.unit ? `, ${row.unit}` : ""}`, hand), make("label", { class: "startup-field" }, `Tolerance ±${row.unit ? `, ${row.unit}` : ""}`, tolerance)]),
      make("label", { class: "startup-field" }, "Comment", comment), initialsBox(), answer,
      make("div", { class: "command-row ends" }, big("Leave it", () => dialog.close()), ...(state ? [] : [big("Compare", () => send(""), { class: "big-button sure" })]), big("Pass", () => send("pass")), big("Fail", () => send("fail"))));
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    dialog.showModal();
    (state ? comment : hand).focus();
  };
  const sheetRow = (row) => {
    const checked = row.checked;
    return make("tr", { "data-equipment": row.equipment, class: checked?.verdict === "fail" ? "failed" : "" },
      make("th", { scope: "row" }, row.equipment, make("span", { class: "under" }, row.label)),
      make("td", { class: "quiet" }, row.device, make("span", { class: "under" }, row.address)), make("td", { class: "value" }, number(row.raw)),
      make("td", { class: "value" }, row.value === null ? make("span", { class: "unknown", title: row.reason }, "?") : row.word || withUnit(row.value, row.unit)),
      make("td", {}, row.changes ? `yes, ${row.changes === 1 ? "once" : `${row.changes} times`}` : "no", row.changes && !row.word ? make("span", { class: "under" }, `${number(row.seen_low)} to ${number(row.seen_high)}`) : ""),
      make("td", { class: "value" }, checked ? withUnit(checked.hand, row.unit) : ""), make("td", { class: "value" }, checked ? number(checked.difference) : ""),
      make("td", { class: "value" }, checked?.tolerance === null || !checked ? "" : `± ${number(checked.tolerance)}`), make("td", {}, verdict(checked?.verdict || "")),
      make("td", {}, checked ? make("span", {}, checked.person, make("span", { class: "under" }, moment(checked.at_ms, nowMs()))) : ""), make("td", { class: "wide" }, checked?.comment || ""),
      make("td", { class: "no-print" }, big("Check", () => checkForm(row), { "aria-label": `Check ${row.point}` })));
  };
  const paintSheet = () => {
    const wanted = one("#sheet-equipment").value, left = one("#sheet-open").checked;
    const list = sheet.filter((row) => (!wanted || row.equipment === wanted) && (!left || !row.checked?.verdict));
    one("#checkout-rows").replaceChildren(...list.map(sheetRow));
    const done = sheet.filter((row) => row.checked?.verdict), failed = done.filter((row) => row.checked.verdict === "fail");
    say(one("#checkout-answer"), `${done.length} of ${sheet.length} points checked, ${failed.length} failed, ${sheet.filter((row) => row.changes).length} seen changing. ${list.length} shown.`);
  };
  const readSheet = async () => {
    if (document.hidden) return;
    try {
      sheet = (await read("/api/v1/startup/checkout")).rows;
      const choice = one("#sheet-equipment");
      if (choice.options.length === 1) choice.append(...[...new Set(sheet.map((row) => row.equipment))].map((name) => make("option", { value: name }, name)));
      paintSheet();
    } catch (error) { say(one("#checkout-answer"), `What stands here is old: ${trouble(error)}`); }
  };
  const beginSheet = () => {
    const choice = make("select", { id: "sheet-equipment", "aria-label": "Equipment" }, make("option", { value: "" }, "all equipment"));
    const open = make("input", { type: "checkbox", id: "sheet-open" });
    for (const node of [choice, open]) node.addEventListener("change", paintSheet);
    one("#checkout-tools").append(choice, make("label", { class: "big-choice" }, open, " only what is not checked"), initialsBox(),
      make("a", { class: "like-button big-button", download: "", href: "/api/v1/startup/checkout?format=csv" }, "Export as CSV"), big("Print, or save as PDF", () => window.print()));
    readSheet();
    setInterval(() => { if (!one("dialog[open]")) readSheet(); }, 5000);
  };

  /* --- captures ------------------------------------------------------------------------------------------- */
  const file = (row) => `/api/v1/startup/captures?id=${encodeURIComponent(row.id)}&format=csv`;
  const lineOf = (sample, from, to, at) => {
    const known = sample.values.filter((value) => value !== null), low = Math.min(...known), high = Math.max(...known), flat = high === low;
    const x = (ms) => 4 + (592 * (ms - from)) / (to - from), y = (value) => (flat ? 20 : 36 - (32 * (value - low)) / (high - low));
    const state = Boolean(window.plantview.state.signals?.[sample.point]?.states && Object.keys(window.plantview.state.signals[sample.point].states).length);
    let path = "", before = null;
    sample.values.forEach((value, index) => {
      if (value === null) { before = null; return; }
      const step = state && before !== null ? `H${x(sample.at_ms[index]).toFixed(1)}V${y(value).toFixed(1)}` : `${before === null ? "M" : "L"}${x(sample.at_ms[index]).toFixed(1)},${y(value).toFixed(1)}`;
      path += step;
      before = value;
    });
    const words = window.plantview.state.signals?.[sample.point]?.states || {};
    const ends = known.length ? (flat ? words[known[0]] || number(known[0]) : `${words[low] || number(low)} to ${words[high] || number(high)}`) : "no value";
    return make("figure", { class: "capture-line" }, make("figcaption", {}, make("strong", {}, sample.point), ` ${ends}`),
      make("svg", { viewBox: "0 0 600 40", role: "img", "aria-label": `${sample.point}: ${ends}`, preserveAspectRatio: "none" },
        make("line", { class: "capture-zero", x1: x(at), x2: x(at), y1: 0, y2: 40 }), make("path", { class: "trend-line", d: path, "vector-effect": "non-scaling-stroke" })));
  };
  const showCapture = async (row) => {
    const box = one("#capture-shown");
    try {
      const found = await read(`/api/v1/startup/captures?id=${encodeURIComponent(row.id)}`);
      const moved = found.samples.filter((sample) => new Set(sample.values).size > 1), still = found.samples.length - moved.length;
      box.hidden = false;
      box.replaceChildren(make("h3", {}, `${found.alarm} at ${moment(found.at_ms, nowMs())}`),
        make("p", { class: "summary" }, `${found.text}. From five minutes before to two after; the upright line is the alarm. ${moved.length} points that changed${still ? `; ${still} that stood still are in the file only` : ""}.`),
        make("div", { class: "capture-lines" }, ...moved.map((sample) => lineOf(sample, found.from_ms, found.to_ms, found.at_ms))));
      box.scrollIntoView({ block: "start" });
    } catch (error) { say(one("#captures-answer"), trouble(error)); }
  };
  const captureRow = (row) => (row.damaged
    ? make("tr", {}, make("td", {}, ""), make("th", { scope: "row" }, row.id), make("td", { class: "wide" }, "damaged on disk"), make("td", {}), make("td", {}), make("td", {}), make("td", {}))
    : make("tr", {}, make("td", {}, make("time", {}, moment(row.at_ms, nowMs()))), make("th", { scope: "row" }, row.equipment), make("td", { class: "wide" }, `${row.alarm}: ${row.text}`),
      make("td", { class: "value" }, String(row.points.length)), make("td", { class: "value" }, String(row.rows)), make("td", {}, big("Show", () => showCapture(row), { "aria-label": `Show ${row.alarm}` })),
      make("td", {}, make("a", { class: "like-button big-button", download: "", href: file(row), "aria-label": `CSV of ${row.alarm}` }, "CSV"))));
  const readCaptures = async () => {
    if (document.hidden) return;
    try {
      const told = await read("/api/v1/startup/captures");
      one("#captures-rows").replaceChildren(...told.rows.map(captureRow));
      one("#captures").closest(".table-box").hidden = !told.rows.length;
      const going = told.capturing.map((each) => `${each.alarm}, ready in ${span((each.at_ms + 120000 - told.now_ms) / 1000)}`).join("; ");
      say(one("#captures-answer"), `${told.rows.length ? `${told.rows.length} ${told.rows.length === 1 ? "capture" : "captures"}.` : "No machine has tripped since captures are kept."}${going ? ` Being captured: ${going}.` : ""}`);
    } catch (error) { say(one("#captures-answer"), `What stands here is old: ${trouble(error)}`); }
  };

  /* --- report --------------------------------------------------------------------------------------------- */
  const kelvin = (value) => {
    if (value === null || value === undefined) return "";
    const ip = window.plantview.state.units !== "si";
    return `${(ip ? value * 1.8 : value).toFixed(1).replace("-", "−")} ${ip ? "°F" : "K"}`;
  };
  const after = (value) => (value === 0 ? "made before" : span(value));
  const startRow = (row) => {
    const band = one("#report-band").value;
    return make("tr", {}, make("th", { scope: "row" }, row.chiller), make("td", {}, make("time", {}, moment(row.enable_ms, nowMs()))),
      make("td", { class: "value" }, after(row.chw_flow_s)), make("td", { class: "value" }, after(row.cw_flow_s)), make("td", { class: "value" }, span(row.run_s)),
      make("td", { class: "value" }, span(row.stable_s[band]) || "not yet"), make("td", { class: "value" }, kelvin(row.overshoot_k)), make("td", { class: "value" }, kelvin(row.approach_k)), make("td", { class: "wide" }, row.state));
  };
  const timeRow = (row) => {
    const last = row.runs.at(-1);
    return make("tr", { class: row.late ? "failed" : "" }, make("th", { scope: "row" }, row.machine), make("td", { class: "quiet" }, row.command), make("td", {}, row.waits_for),
      make("td", { class: "value" }, seconds(row.last_s)), make("td", { class: "value quiet" }, last ? `${last.least_s.toFixed(1)} to ${seconds(last.most_s)}` : ""), make("td", { class: "value" }, seconds(row.longest_s)),
      make("td", { class: "value quiet" }, `${row.timeout_s} s`), make("td", {}, last ? make("strong", {}, row.late ? "LATE" : "in time") : ""), make("td", { class: "value" }, row.runs.length ? String(row.runs.length) : ""));
  };
  const readReport = async () => {
    if (document.hidden) return;
    try {
      const told = await read("/api/v1/startup/report"), timed = told.times.filter((row) => row.runs.length);
      one("#starts-rows").replaceChildren(...told.starts.map(startRow));
      one("#times-rows").replaceChildren(...timed.map(timeRow));
      for (const [name, list] of [["#starts", told.starts], ["#times", timed]]) one(name).closest(".table-box").hidden = !list.length;
      say(one("#report-answer"), told.starts.length || timed.length ? `Stable: supply within the band of its setpoint for ${span(told.starts[0]?.hold_s ?? 300)} without a break. Times begin at the enable or order as it was seen. ${told.times.length - timed.length} proofs were not timed yet.`
        : "No start was seen yet. The report fills when a chiller is enabled while this program runs.");
    } catch (error) { say(one("#report-answer"), `What stands here is old: ${trouble(error)}`); }
  };
  const beginReport = () => {
    const band = make("select", { id: "report-band", "aria-label": "Band around the setpoint" }, ...["0.5", "1.0", "2.0"].map((value) => make("option", { value }, `± ${Number(value)} °F (${(value / 1.8).toFixed(1)} K)`)));
    band.value = "1.0";
    band.addEventListener("change", readReport);
    one("#report-tools").append(make("label", { class: "startup-field" }, "Stable within ", band), make("a", { class: "like-button big-button", download: "", href: "/api/v1/startup/report?format=csv" }, "Export as CSV"), big("Print, or save as PDF", () => window.print()));
    readReport();
    setInterval(readReport, 5000);
  };

  onPage(() => {
    if (one("#checkout-rows")) beginSheet();
    if (one("#captures-rows")) { readCaptures(); setInterval(readCaptures, 5000); }
    if (one("#starts-rows")) beginReport();
  });
})();
