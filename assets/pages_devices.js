/* The devices page: one row per device; a row opens to its plan, what was learned, its load and its last exchanges. */
(() => {
  "use strict";

  const { one, make, say, moment, onPaint, onPage } = window.plantviewPages;

  const PROTOCOLS = { bacnet: "BACnet/IP", modbus: "Modbus TCP" };
  const WORDS = { answering: "answers", silent: "SILENT", starting: "not heard yet" };
  const REFRESH_MS = 5000;

  const rows = new Map();
  let opened = "";
  let timer = 0;

  const count = (number) => (number === undefined || number === null ? "" : String(number));
  const failures = (row) => Object.entries(row.failures || {}).filter(([, number]) => number).map(([kind, number]) => `${number} ${kind}`).join(", ") || "0";
  const cycle = (row) => (Number.isFinite(row.cycle_ms) ? `${Math.round(row.cycle_ms)} ms` : "");
  const load = (row) => (Number.isFinite(row.busy_pct) ? `${row.busy_pct.toFixed(1)} % of ${row.busy_max_pct} %` : "");
  const where = (row) => `${row.station || row.address}, ${row.protocol === "bacnet" ? "instance" : "unit"} ${row.unit}`;
  const protocol = (row) => (row.framer === "rtu" ? "Modbus RTU over TCP" : PROTOCOLS[row.protocol] || row.protocol);
  const historyWords = (troubles) => (troubles.length ? `History: ${[].concat(troubles).join("; ")}` : "");
  const notices = (row) => Object.values(row.notices || {});

  const cells = (row, nowMs) => [
    protocol(row), where(row), WORDS[row.state] || row.state || "", row.last_answer_ms ? moment(row.last_answer_ms, nowMs) : "never",
    cycle(row), load(row), count(row.requests), failures(row), count(row.skipped), [...notices(row), row.last_error || ""].filter(Boolean).join("; "),
  ];

  const built = (device, columns) => {
    const button = make("button", { type: "button", class: "opener", "aria-expanded": "false" });
    button.addEventListener("click", () => open(device.id));
    const row = make("tr", {}, make("th", { scope: "row" }, button), ...columns.map(() => make("td")));
    row.lastChild.className = "wide";
    const below = make("tr", { class: "device-detail" }, make("td", { colspan: String(columns.length + 1) }));
    one("#devices-rows").append(row);
    return { row, button, below };
  };

  const paint = (state) => {
    const devices = state.health?.devices;
    if (!one("#devices-rows") || !devices) return;
    for (const device of devices) {
      const columns = cells(device, state.now_ms);
      if (!rows.has(device.id)) rows.set(device.id, built(device, columns));
      const { row, button } = rows.get(device.id);
      say(button, device.label && device.label !== device.id ? `${device.id} (${device.label})` : device.id);
      columns.forEach((text, place) => say(row.cells[place + 1], text));
      row.classList.toggle("trouble", device.state !== "answering");
    }
    const silent = devices.filter((device) => device.state !== "answering").length;
    say(one("#device-count"), `${devices.length - silent} of ${devices.length} devices answer${state.silent ? " (as last heard)" : ""}`);
    say(one("#history-trouble"), historyWords(state.health.history_store || []));
    paintNetworks(state.health.networks || []);
  };

  const networkLoad = (row) => (Number.isFinite(row.requests_per_s)
    ? `${row.requests_per_s} requests/s of ${row.requests_per_s_max}` : `busy ${row.busy_pct} % of ${row.busy_max_pct} %`);
  const networkNews = (row) => [
    row.bbmd ? `foreign device at ${row.bbmd}: ${row.registration}` : "",
    row.over_budget ? "OVER ITS BUDGET: poll less often, or fewer points" : "",
    ...(row.duplicates || []).map((twice) => `instance ${twice.instance} exists twice: ${twice.quarantined.join(", ")} is left alone`),
  ].filter(Boolean).join("; ");

  const paintNetworks = (networks) => {
    const body = one("#networks-rows");
    while (body.rows.length > networks.length) body.deleteRow(-1);
    networks.forEach((network, place) => {
      const row = body.rows[place] || body.appendChild(make("tr", {}, make("th", { scope: "row" }), make("td"), make("td"), make("td", { class: "wide" })));
      [network.name, count(network.devices), networkLoad(network), networkNews(network)].forEach((text, column) => say(row.cells[column], text));
      row.classList.toggle("trouble", Boolean(network.over_budget) || Boolean(network.bbmd && network.registration !== "registered"));
    });
  };

  const open = (id) => {
    clearInterval(timer);
    opened = opened === id ? "" : id;
    for (const [name, { row, button, below }] of rows) {
      if (name === opened) row.after(below); else below.remove();
      button.setAttribute("aria-expanded", String(name === opened));
    }
    if (!opened) return;
    readDetail();
    timer = setInterval(readDetail, REFRESH_MS);
  };

  const readDetail = async () => {
    const id = opened;
    try {
      const answer = await (await fetch("/api/v1/health")).json();
      const device = answer.field.devices.find((row) => row.id === id);
      if (device && id === opened) rows.get(id).below.cells[0].replaceChildren(...detail(device, answer.field.now_ms));
    } catch { /* the link line says that nothing is heard; what is shown stays until it is */ }
  };

  const pair = (term, text) => (text ? [make("dt", {}, term), make("dd", {}, text)] : []);
  const LEARNED = {
    max_apdu: "largest answer (octets)", segmentation: "segmentation", objects_max: "objects in one request", single_reads: "one object at a time",
    refused: "left out as refused", holes: "holes before", count_max: "most in one request", gap: "gaps read along (registers)", objects: "objects", notifications: "told", missed: "missed",
  };
  const spelled = (value) => {
    if (Array.isArray(value)) return value.join(", ") || "none";
    if (value && typeof value === "object") return Object.entries(value).map(([what, most]) => `${what} ${most}`).join(", ") || "as the standard allows";
    return value === true ? "yes" : value === false ? "no" : String(value);
  };
  const learnedText = (learned) => Object.entries(learned || {}).map(([what, value]) => `${LEARNED[what] || what}: ${spelled(value)}`).join("; ");
  const requests = (number) => `${number} request${number === 1 ? "" : "s"}`;
  const clockText = (seconds) => (seconds === null || seconds === undefined ? "" : Math.abs(seconds) < 1 ? "within a second of ours" : `${Math.abs(seconds).toFixed(0)} s ${seconds > 0 ? "ahead of" : "behind"} ours`);

  const detail = (device, nowMs) => [
    make("dl", {},
      ...(device.plans || []).flatMap((plan) => pair(`Every ${plan.period_s} s`, `${requests(plan.requests_per_cycle)}; ${learnedText(plan.learned)}`)),
      ...pair("Points", count(device.points)),
      ...pair("Requests", `${device.requests_per_s ?? "?"} per second${device.requests_per_s_max ? `, at most ${device.requests_per_s_max}` : ""}`),
      ...pair("Its clock", clockText(device.clock_offset_s)),
      ...pair("Changes told (COV)", device.cov ? learnedText(device.cov) : ""),
      ...pair("From its trend logs", device.backfilled ? `${device.backfilled} readings` : ""),
      ...pair("It reports", (device.events || []).map((event) => `${event.object_name} ${event.state}`).join("; ")),
      ...pair("Notice", notices(device).join("; ")),
    ),
    make("h3", {}, "Last exchanges, newest first"),
    make("div", { class: "exchanges-box", tabindex: "0", role: "region", "aria-label": "Last exchanges" }, make("table", { class: "exchanges" },
      make("thead", {}, make("tr", {}, ...["Time", "Sent (hex)", "Received (hex)", "Outcome"].map((word) => make("th", { scope: "col" }, word)))),
      make("tbody", {}, ...[...(device.exchanges || [])].reverse().map((exchange) => make("tr", {},
        make("td", {}, moment(exchange.at_ms, nowMs)), make("td", { class: "octets" }, exchange.sent), make("td", { class: "octets" }, exchange.received),
        make("td", { class: "wide" }, exchange.outcome)))))),
  ];

  onPage(() => {
    clearInterval(timer);
    opened = "";
    rows.clear();
    one("#devices-rows")?.replaceChildren();
    paint(window.plantview.state);
  });
  onPaint((_message, state) => paint(state));
})();
