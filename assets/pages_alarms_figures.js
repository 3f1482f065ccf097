/* The figures of all alarms, what to do about them, and the messages. */
(() => {
  "use strict";

  const { one, make, say, moment, onPage } = window.plantviewPages;
  const { recordLink, read, post } = window.plantviewAlarms;
  const PERIODS = [["last 24 h", 1], ["last 7 days", 7], ["last 30 days", 30]], AGAIN_MS = 3000, AGAIN_MAX = 10;

  const paintRows = (rows) => one("#figures-rows").replaceChildren(...rows.map((row) => make("tr", { class: row.ok === false ? "trouble" : "" },
    make("th", { scope: "row" }, row.name), make("td", { class: "value" }, row.measured), make("td", { class: "wide" }, row.goal),
    make("td", {}, row.ok === null ? "" : row.ok ? "ok" : "look"), make("td", { class: "wide" }, row.remedy))));
  const paintTop = (told) => {
    const marks = (alarm) => ["chattering", "fleeting", "stale"].filter((mark) => told[mark].includes(alarm));
    const listed = new Set(told.top.map((row) => row.alarm));
    const others = [...new Set([...told.chattering, ...told.fleeting, ...told.stale])].filter((alarm) => !listed.has(alarm)).map((alarm) => ({ alarm, count: "", pct: null }));
    const rows = [...told.top, ...others];
    one("#top-rows").replaceChildren(...rows.map((row) => make("tr", {},
      make("th", { scope: "row" }, recordLink({ id: row.alarm }, row.alarm)), make("td", { class: "value" }, String(row.count)),
      make("td", { class: "value" }, row.pct === null ? "" : `${row.pct.toFixed(0)} %`), make("td", {}, marks(row.alarm).join(", ")))));
    one("#top-rows").closest(".table-box").hidden = !rows.length;
    say(one("#top-none"), rows.length ? "" : "No alarm called in this period.");
  };
  const show = async () => {
    try {
      const told = await read(`/api/v1/alarms/figures?days=${one("#figures-days").value}`);
      const nowMs = told.to_ms, floods = told.floods.map((flood) => `${moment(flood.from_ms, nowMs)} (${flood.count} alarms${flood.to_ms ? "" : ", not over"})`);
      const mix = [1, 2, 3, 4].map((priority) => `priority ${priority}: ${told.mix_pct[priority].toFixed(0)} %`).join(", ");
      say(one("#figures-answer"), `${told.total} calls from ${moment(told.from_ms, nowMs)} to ${moment(told.to_ms, nowMs)}${told.total ? `; ${mix}` : ""}${floods.length ? `; floods: ${floods.join(", ")}` : ""}. Goals after ISA-18.2 and EEMUA 191.`);
      paintRows(told.rows);
      paintTop(told);
    } catch (error) {
      say(one("#figures-answer"), `The figures cannot be read now: ${error.message}`);
    }
  };

  /* --- messages ------------------------------------------------------------------------------------------ */
  const notice = (row) => {
    const test = make("button", { type: "button", "data-test": row.name, "aria-label": `Send a test message to ${row.name}` }, "Send a test");
    return make("tr", { class: row.trouble ? "trouble" : "" }, make("th", { scope: "row" }, row.name), make("td", {}, row.way), make("td", {}, row.priorities.join(", ") + (row.unacknowledged_s ? ` after ${row.unacknowledged_s / 60} min` : "")),
      make("td", { class: "value" }, String(row.sent)), make("td", { class: "value" }, String(row.waiting)), make("td", { class: "value" }, String(row.lost)),
      make("td", {}, row.last_sent_ms ? moment(row.last_sent_ms, window.plantview.nowMs()) : "never"), make("td", { class: "wide" }, row.trouble), make("td", { class: "acts" }, test));
  };
  const paintNotices = (told) => {
    const none = told.receivers.length ? "" : "Nobody is told by message: there is no notifications.toml in the data folder.";
    say(one("#notices-none"), told.problems.length ? `Nobody is told by message until this is right: ${told.problems.join(" · ")}` : none);
    one("#notices-rows").replaceChildren(...told.receivers.map(notice));
    one("#notices-rows").closest(".table-box").hidden = !told.receivers.length;
  };
  const readNotices = async (again = 0) => {
    try {
      const told = await read("/api/v1/alarms/notices");
      paintNotices(told);
      if (again && told.receivers.some((row) => row.waiting)) setTimeout(() => readNotices(again - 1), AGAIN_MS);
    } catch (error) {
      say(one("#notices-none"), `The messages cannot be read now: ${error.message}`);
    }
  };
  const test = async (receiver) => {
    try {
      paintNotices(await post("/api/v1/alarms/notice-test", { receiver }));
      setTimeout(() => readNotices(AGAIN_MAX), AGAIN_MS);
    } catch (error) {
      say(one("#notices-none"), `No test was sent: ${error.message}`);
    }
  };

  onPage(() => {
    if (!one("#figures-tools")) return;
    one("#figures-tools").append(make("label", { for: "figures-days" }, "Period"),
      make("select", { id: "figures-days" }, ...PERIODS.map(([words, days]) => make("option", { value: String(days) }, words))));
    one("#figures-days").addEventListener("change", show);
    one("#page").addEventListener("click", (event) => {
      const node = event.target.closest("[data-test]");
      if (node) test(node.dataset.test);
    });
    show();
    readNotices();
  });
})();
