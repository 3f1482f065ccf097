/* The devices page: what history holds, how much room it takes, and what it waits for. */
(() => {
  "use strict";

  const { one, make, say, moment, onPaint } = window.plantviewPages;

  const FULL_PCT = 15, LOG_BYTES_LONG = 16e6;

  const SIZES = [[1e9, "GB"], [1e6, "MB"], [1e3, "kB"]];
  const size = (bytes) => {
    const [unit, word] = SIZES.find(([each]) => bytes >= each) || SIZES[2];
    return `${(bytes / unit).toFixed(bytes < unit * 10 ? 2 : 0)} ${word}`;
  };
  const span = (days) => (days >= 730 ? `${(days / 365.25).toFixed(1).replace(/\.0$/, "")} years` : `${days} days`);
  const number = (count, word) => `${count.toLocaleString("en")} ${word}`;
  const months = (all) => (all.length > 1 ? `month files ${all[0]} to ${all[all.length - 1]}` : all.length ? `month file ${all[0]}` : "no month is sealed yet");
  const between = (first, last, nowMs) => (first ? `${moment(first, nowMs)} to ${moment(last, nowMs)}` : "nothing");

  const databaseLines = (told, nowMs) => [
    ["Database", told.connected ? "answers" : "DOES NOT ANSWER", told.place, !told.connected],
    ["It last acknowledged", told.committed_ms ? moment(told.committed_ms, nowMs) : "nothing since the start", `${number(told.sent, "samples")} since the start`],
    ["Size in the database", told.bytes ? size(told.bytes) : "not measured yet", ""],
    told.refused ? ["Refused by the database", number(told.refused, "samples"), "their days were pruned, only summaries are left", true] : null,
  ];

  /* name, now, bound or remedy, whether it is trouble */
  const lines = (told, nowMs) => [
    ["Kept in", told.database ? "the data folder, and from there the database" : "the data folder", months(told.months || [])],
    ["Size in the data folder", size(told.bytes || 0), `at most ${size(told.bytes_max || 0)}, then the oldest month goes`, told.bytes > told.bytes_max],
    ["Samples are kept", span(told.keep_days), `their summaries (5 min, 1 h) ${span(told.keep_sums_days)}`],
    ["Free on its disk", `${told.disk_free_pct} %`, `warns below ${FULL_PCT} %`, told.disk_free_pct < FULL_PCT],
    ["Not sealed yet", between(told.unsealed_from_ms, told.unsealed_to_ms, nowMs), number(told.unsealed_commits || 0, "commits; a minute after each hour they go into the month")],
    ["Waiting in memory", number(told.waiting || 0, "readings"), "written every second; more than some thousand mean a slow or full disk"],
    ["Lost since the start", number(told.lost || 0, "readings"), "more than 0 only where the disk failed for long", told.lost > 0],
    ["Write-ahead logs", size(told.log_bytes || 0), `at most ${size(LOG_BYTES_LONG)}`, told.log_bytes > LOG_BYTES_LONG],
    ...(told.database ? databaseLines(told.database, nowMs) : []),
  ].filter(Boolean);

  const paint = (told, nowMs) => {
    const body = one("#history-store-rows");
    if (!body) return;
    const shown = lines(told, nowMs);
    while (body.rows.length > shown.length) body.deleteRow(-1);
    shown.forEach(([name, now, bound, trouble], place) => {
      const row = body.rows[place] || body.appendChild(make("tr", {}, make("th", { scope: "row" }), make("td"), make("td", { class: "wide" })));
      [name, now, bound].forEach((text, column) => say(row.cells[column], text));
      row.classList.toggle("trouble", Boolean(trouble));
    });
  };

  onPaint((_message, state) => { if (state.health?.history) paint(state.health.history, state.now_ms); });
})();
