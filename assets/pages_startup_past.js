/* /past/startup: what was noted of start-up day up to the moment that is shown. It only reads; each time leads to its moment. */
(() => {
  "use strict";
  if (location.pathname !== "/past/startup") return;

  const LIMIT = 200;
  const { one, make, say, moment, onPaint } = window.plantviewPages;
  const { read } = window.plantviewAlarms;
  const { seconds, tenths, words } = window.plantviewStartup;
  const number = (value) => (value === null || value === undefined ? "" : String(Math.round(value * 1000) / 1000).replace("-", "−"));
  const withUnit = (value, unit) => (value === null || value === undefined ? "" : `${number(value)}${unit ? ` ${unit}` : ""}`);
  const address = (ms) => `/past?at=${new Date(ms).toISOString()}`;
  const when = (ms, text) => make("a", { class: "past-moment", href: address(ms), title: "The drawing at this moment" }, make("time", { datetime: new Date(ms).toISOString() }, text));
  const fill = (name, rows, answer) => {
    one(`#${name}-rows`).replaceChildren(...rows);
    one(`#${name}`).closest(".table-box").hidden = !rows.length;
    say(one(`#${name}-answer`), answer);
  };

  const eventRow = (row) => make("tr", { class: `event kind-${row.kind}` },
    make("td", {}, when(row.at_ms, `${moment(row.at_ms, 0).slice(0, -5)}${tenths(row.at_ms)}`)), make("td", { class: "value" }, words.delta(row.since_previous_ms)),
    make("td", { class: "quiet" }, words.unsure(row)), row.equipment ? make("th", { scope: "row" }, row.equipment) : make("td"), make("td", { class: "wide" }, words.what(row)));
  const captureRow = (row) => (row.damaged
    ? make("tr", {}, make("td"), make("th", { scope: "row" }, row.id), make("td", { class: "wide" }, "damaged on disk"), make("td"), make("td"), make("td"))
    : make("tr", {}, make("td", {}, when(row.at_ms, `${moment(row.at_ms, 0)}`)), make("th", { scope: "row" }, row.equipment), make("td", { class: "wide" }, `${row.alarm}: ${row.text}`),
      make("td", { class: "value" }, String(row.points.length)), make("td", { class: "value" }, String(row.rows)),
      make("td", {}, make("a", { class: "like-button big-button", download: "", href: `/api/v1/startup/captures?id=${encodeURIComponent(row.id)}&format=csv`, "aria-label": `CSV of ${row.alarm}` }, "CSV"))));
  const checkedRow = ({ checked, ...row }) => make("tr", { class: checked.verdict === "fail" ? "failed" : "" },
    make("th", { scope: "row" }, row.equipment, make("span", { class: "under" }, row.label)), make("td", { class: "value" }, number(checked.raw)), make("td", { class: "value" }, withUnit(checked.shown, row.unit)),
    make("td", { class: "value" }, withUnit(checked.hand, row.unit)), make("td", { class: "value" }, number(checked.difference)), make("td", { class: "value" }, checked.tolerance === null ? "" : `± ${number(checked.tolerance)}`),
    make("td", {}, make("strong", { class: `verdict ${checked.verdict}` }, checked.verdict.toUpperCase())), make("td", {}, checked.person, make("span", { class: "under" }, when(checked.at_ms, moment(checked.at_ms, 0)))), make("td", { class: "wide" }, checked.comment));

  let shown = null, asking = false;
  const look = async (at) => {
    if (asking || at === shown) return;
    asking = true;
    try {
      const [events, captures, sheet] = await Promise.all([`events?to=${at + 1000}&limit=${LIMIT}`, "captures", "checkout"].map((what) => read(`/api/v1/startup/${what}`)));
      const before = captures.rows.filter((row) => row.damaged || row.at_ms <= at), checked = sheet.rows.filter((row) => row.checked && row.checked.at_ms <= at);
      fill("past-events", events.rows.map(eventRow), events.rows.length ? `${events.rows.length} events${events.more ? "; move the moment back for older ones" : ""}.` : "Nothing was noted up to this moment.");
      fill("past-captures", before.map(captureRow), before.length ? `${before.length} kept. The file holds every sample from five minutes before to two after.` : "No machine had tripped.");
      fill("past-checked", checked.map(checkedRow), checked.length ? `${checked.length} points were checked, ${checked.filter((row) => row.checked.verdict === "fail").length} failed. Numbers stand in the unit that the device reports.` : "No point was checked by hand.");
      shown = at;
    } catch (error) { say(one("#past-events-answer"), `What stands here is of another moment: ${error.message}`); } finally { asking = false; }
  };
  onPaint((_message, state) => { if (state.now_ms) look(state.now_ms); });
})();
