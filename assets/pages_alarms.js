/* The alarm page: what is active, who has seen it, what happened. */
(() => {
  "use strict";

  const { one, make, say, moment, kept, keep, KEPT, onPaint, onPage } = window.plantviewPages;
  const JOURNAL_READ = 500;
  const JOURNAL_SHOWN = 100;
  const BY_DESIGN = new Set(["SUPPRESS", "UNSUPPRESS"]);

  /* Priority is shape, colour and digit together. */
  const SHAPES = {
    1: ["polygon", { points: "7,1 17,1 23,7 23,17 17,23 7,23 1,17 1,7" }, 17],
    2: ["polygon", { points: "12,1 23.5,22.5 0.5,22.5" }, 20],
    3: ["polygon", { points: "12,0.5 23.5,12 12,23.5 0.5,12" }, 17],
    4: ["circle", { cx: 12, cy: 12, r: 10.5 }, 17],
  };
  const badge = (priority) => {
    const [kind, attributes, baseline] = SHAPES[priority] || SHAPES[4];
    return make("svg", { class: `badge p${priority}`, viewBox: "0 0 24 24", role: "img", "aria-label": `priority ${priority}` },
      make(kind, attributes), make("text", { x: 12, y: baseline, "text-anchor": "middle" }, String(priority)));
  };

  const active = (state) => [...(state.alarms?.active || [])].sort(
    (a, b) => Number(a.acked) - Number(b.acked) || a.priority - b.priority || b.since_ms - a.since_ms);

  /* Redraw only when something that is shown changed, so that focus and selection stay. */
  const changed = (node, key) => {
    if (!node || node.dataset.shown === key) return false;
    node.dataset.shown = key;
    return true;
  };
  const keyOf = (rows) => rows.map((row) => [row.id, row.acked, row.acked_by, row.state, row.text, row.since_ms].join("~")).join("|");

  const acknowledgeButton = (row) => {
    if (row.acked) return make("span", {}, row.acked_by ? `seen by ${row.acked_by}` : "seen");
    const button = make("button", { type: "button", "data-acknowledge": row.id, "aria-label": `Acknowledge ${row.equipment} ${row.text}` }, "Acknowledge");
    return button;
  };

  const listRow = (row, nowMs) => make("tr", { class: row.acked ? "" : "unseen-yet" },
    make("td", {}, badge(row.priority)),
    make("td", {}, make("time", {}, moment(row.since_ms, nowMs))),
    make("th", { scope: "row" }, row.equipment),
    make("td", {}, row.text),
    make("td", {}, stateWord(row)),
    make("td", { class: "wide" }, row.action || ""),
    make("td", {}, acknowledgeButton(row)));

  const WORDS = {
    UNACK: "active, not acknowledged", ACKED: "active, acknowledged", RTNUN: "back to normal, not acknowledged",
    LATUN: "latched, not acknowledged", LATAC: "latched, acknowledged", SHLVD: "shelved", DSUPR: "suppressed", OOSRV: "out of service",
  };
  const stateWord = (row) => WORDS[row.state] || (row.acked ? "active, acknowledged" : "active, not acknowledged");

  const paintList = (state) => {
    const body = one("#active-rows");
    if (!body) return;
    const rows = active(state);
    const unseen = rows.filter((row) => !row.acked).length;
    say(one("#alarm-count"), rows.length ? `${rows.length} active, ${unseen} not acknowledged${state.silent ? " (as last heard)" : ""}` : state.silent ? "Alarms are not known: no data" : "No active alarms");
    one(".acknowledge").hidden = !unseen;
    if (changed(body, keyOf(rows) || "none")) {
      body.replaceChildren(...rows.map((row) => listRow(row, state.now_ms)));
      body.closest(".table-box").hidden = !rows.length;
      readJournal();
    }
  };

  const CHANGES = {
    ANN: "came", RTN: "back to normal", ACK: "acknowledged", REALARM: "came again", RESET: "reset", SHELVE: "shelved", UNSHELVE: "shelf ended",
    SUPPRESS: "suppressed", UNSUPPRESS: "suppression ended", RESUME: "taken up after a restart", OOS: "out of service",
    INSERV: "back in service", EVENT: "event", REFUSED: "refused", CLOSED: "rule removed", CLOCK: "clock stepped",
  };
  const journalRow = (row, nowMs) => make("tr", {},
    make("td", {}, make("time", {}, moment(row.at_ms, nowMs))),
    make("th", { scope: "row" }, row.equipment || ""),
    make("td", {}, CHANGES[row.kind] || row.kind),
    make("td", { class: "wide" }, row.text || ""),
    make("td", {}, row.person || ""), make("td", { class: "quiet" }, row.alarm || ""));

  const readJournal = async () => {
    const body = one("#journal-rows");
    if (!body) return;
    try {
      const answer = await fetch(`/api/v1/alarms?journal=${JOURNAL_READ}`);
      const read = await answer.json();
      if (!answer.ok) throw new Error(`${read.detail}. ${read.remedy}`);
      const all = one("#by-design").checked;
      const rows = (read.journal || []).filter((row) => all || !BY_DESIGN.has(row.kind)).slice(0, JOURNAL_SHOWN);
      body.replaceChildren(...rows.map((row) => journalRow(row, window.plantview.state.now_ms)));
      body.closest(".table-box").hidden = !rows.length;
    } catch (error) {
      say(one("#acknowledge-answer"), `The journal cannot be read now: ${error.message}`);
    }
  };

  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";

  const acknowledge = async (id) => {
    const person = one("#initials").value.trim();
    if (!person) {
      say(one("#acknowledge-answer"), "Enter your initials first: an acknowledgement says who has seen the alarm.");
      one("#initials").focus();
      return;
    }
    keep(KEPT.initials, person);
    try {
      const answer = await fetch("/api/v1/alarms/acknowledge", {
        method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() },
        body: JSON.stringify({ id, person, comment: one("#comment").value.trim() }),
      });
      const read = await answer.json();
      if (!answer.ok) throw new Error(`${read.detail}. ${read.remedy}`);
      one("#comment").value = "";
      say(one("#acknowledge-answer"), `Acknowledged by ${person}.`);
    } catch (error) {
      say(one("#acknowledge-answer"), `Not acknowledged: ${error.message}`);
    }
  };

  onPage(() => {
    const box = one("#initials-box");
    if (!box) return;
    box.append(make("input", { id: "initials", maxlength: "8", autocomplete: "nickname", value: kept(KEPT.initials, "") }));
    one("#comment-box").append(make("input", { id: "comment", maxlength: "200", autocomplete: "off" }));
    const byDesign = make("input", { id: "by-design", type: "checkbox" });
    byDesign.addEventListener("change", readJournal);
    one("#by-design-box").append(byDesign);
    one("#page").addEventListener("click", (event) => {
      const button = event.target.closest("[data-acknowledge]");
      if (button) acknowledge(button.dataset.acknowledge);
    });
    readJournal();
  });

  onPaint((message, state) => paintList(state));
})();
