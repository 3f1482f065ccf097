/* The alarm list: filter, groups, acts of people, keyboard. */
(() => {
  "use strict";

  const { one, all, make, say, moment, kept, keep, addressed, KEPT, onPaint, onPage } = window.plantviewPages;
  const { badge, stateWord, firstOut, ageOf, recordLink, placeLink, CHANGES, read, post, person, initialsField } = window.plantviewAlarms;
  const ACKNOWLEDGE = "/api/v1/alarms/acknowledge", ACT = "/api/v1/alarms/act", ANSWER = "#acknowledge-answer";
  const ROWS_MAX = 150, JOURNAL_SHOWN = 20, AGE_MS = 10000, FLOOD = 10, FLOOD_MS = 600000, URGENT_TOO = 2;
  const GROUPED = "plantview.alarms.grouped";
  const opened = new Set();
  let drawnAt = -Infinity, journalKey = "", lastState = null;

  const active = (state) => [...(state.alarms?.active || [])].sort(
    (a, b) => Number(a.acked) - Number(b.acked) || a.priority - b.priority || b.since_ms - a.since_ms);
  const wanted = (rows) => {
    const part = (one("#alarm-filter")?.value || "").trim().toLowerCase();
    return part ? rows.filter((row) => [row.id, row.equipment, row.text, row.class, `p${row.priority}`].join("\n").toLowerCase().includes(part)) : rows;
  };
  const unacked = (rows) => rows.filter((row) => !row.acked);

  /* Redraw only when something that is shown changed, so that focus and selection stay. */
  const keyOf = (rows) => rows.map((row) => [row.id, row.acked, row.acked_by, row.state, row.text, row.since_ms, row.frozen, row.first_out, row.first_out_tie].join("~")).join("|");

  /* --- rows ------------------------------------------------------------------------------------------ */
  const button = (text, data, label) => make("button", { type: "button", ...data, "aria-label": label }, text);
  const acts = (row) => {
    const about = `${row.equipment} ${row.text}`, found = [];
    if (row.state === "LATAC") found.push(button("Reset", { "data-reset": row.id }, `Reset ${about}`));
    else if (!row.acked) found.push(button("Acknowledge", { "data-acknowledge": row.id }, `Acknowledge ${about}`));
    else found.push(make("span", {}, `seen by ${row.acked_by || "somebody"}`));
    if (row.shelve_max_s > 0) found.push(button("Shelve…", { "data-shelve": row.id }, `Shelve ${about}`));
    return found;
  };
  const alarmCell = (row) => {
    const mark = firstOut(row);
    return [recordLink(row, row.text), ...(mark ? [make("span", { class: `first-out rank${row.first_out}` }, mark)] : []),
      ...(row.comment ? [make("span", { class: "comment" }, `“${row.comment}”`)] : [])];
  };
  const listRow = (row, nowMs) => make("tr", { class: row.acked ? "" : "unseen-yet", tabindex: "-1", "data-id": row.id },
    make("td", {}, badge(row.priority)),
    make("td", {}, make("time", {}, moment(row.since_ms, nowMs)), make("span", { class: "age" }, `${ageOf(row.since_ms, nowMs)} ago`)),
    make("th", { scope: "row" }, placeLink(row.equipment)),
    make("td", { class: "said" }, ...alarmCell(row)),
    make("td", { class: "word" }, stateWord(row, nowMs)),
    make("td", { class: "wide" }, row.action || ""),
    make("td", { class: "acts" }, ...acts(row)));

  const groups = (rows) => {
    const found = new Map();
    for (const row of rows) found.set(row.equipment, [...(found.get(row.equipment) || []), row]);
    return [...found].sort(([, a], [, b]) => unacked(b).length - unacked(a).length || a[0].priority - b[0].priority);
  };
  const groupRow = ([equipment, rows]) => {
    const worst = Math.min(...rows.map((row) => row.priority)), unseen = unacked(rows);
    const folded = rows.filter((row) => row.priority > URGENT_TOO).length;
    const head = make("th", { scope: "rowgroup", colspan: "5" }, `${equipment}: ${rows.length} alarm${rows.length > 1 ? "s" : ""}, ${unseen.length} not acknowledged`);
    if (folded) head.append(make("button", { type: "button", class: "fold", "data-fold": equipment, "aria-expanded": String(opened.has(equipment)) }, opened.has(equipment) ? "hide priority 3 and 4" : `show ${folded} of priority 3 and 4`));
    const seen = unseen.length ? button("Acknowledge group", { "data-group": equipment }, `Acknowledge all of ${equipment}`) : make("span", {}, "seen");
    return make("tr", { class: "group" }, make("td", {}, badge(worst)), head, make("td", { class: "acts" }, seen));
  };
  const grouped = () => one("#alarm-grouped")?.checked;
  const bodyRows = (rows, nowMs) => {
    if (!grouped()) return rows.slice(0, ROWS_MAX).map((row) => listRow(row, nowMs));
    return groups(rows).flatMap((group) => [groupRow(group),
      ...group[1].filter((row) => row.priority <= URGENT_TOO || opened.has(group[0])).map((row) => listRow(row, nowMs))]).slice(0, ROWS_MAX);
  };

  /* --- painting ---------------------------------------------------------------------------------------- */
  const paintWords = (state, rows) => {
    const unseen = unacked(rows), shown = wanted(rows), count = state.alarms?.counts || {};
    const by = [1, 2, 3, 4].filter((priority) => count[priority]).map((priority) => `priority ${priority}: ${count[priority]}`).join(", ");
    say(one("#alarm-count"), rows.length
      ? `${rows.length} on the list, ${unseen.length} not acknowledged${by ? ` (${by})` : ""}${shown.length < rows.length ? `; ${shown.length} shown by the filter` : ""}${state.silent ? " (as last heard)" : ""}`
      : state.silent ? "Alarms are not known: no data" : "No active alarms");
    const recent = rows.filter((row) => row.since_ms > state.now_ms - FLOOD_MS);
    const flood = one("#alarm-flood");
    flood.hidden = recent.length < FLOOD;
    if (!flood.hidden) say(flood, `Flood: ${recent.length} alarms in the last 10 minutes, the first at ${moment(Math.min(...recent.map((row) => row.since_ms)), state.now_ms)}. Look for what came first; group by equipment.`);
    const trouble = [state.alarms?.health, state.health?.notices].filter(Boolean).join(" ");
    one("#alarm-trouble").hidden = !trouble;
    say(one("#alarm-trouble"), trouble);
    one(".acknowledge").hidden = !rows.length && !aside(state).length;
    one("#acknowledge-shown").hidden = !unacked(shown).length;
    say(one("#acknowledge-shown"), `Acknowledge all ${unacked(shown).length} shown`);
  };

  const paintList = (state, force = false) => {
    const body = one("#active-rows");
    if (!body || !one("#alarm-filter")) return;
    lastState = state;
    const rows = active(state), shown = wanted(rows);
    paintWords(state, rows);
    const key = `${keyOf(shown)}#${grouped()}#${[...opened]}`, aged = performance.now() - drawnAt > AGE_MS;
    if (!force && body.dataset.shown === key && (!aged || body.contains(document.activeElement))) return;
    body.dataset.shown = key;
    drawnAt = performance.now();
    const held = document.activeElement; // whoever stands on a button within a row keeps that button: pages_focus.js
    const focused = held?.matches?.("#active-rows tr[data-id]") ? held.dataset.id : "";
    body.replaceChildren(...bodyRows(shown, state.now_ms));
    if (shown.length > ROWS_MAX) body.append(make("tr", {}, make("td", { colspan: "7" }, `and ${shown.length - ROWS_MAX} more: filter, or group by equipment`)));
    body.closest(".table-box").hidden = !shown.length;
    say(one("#alarm-keys"), shown.length ? "Keys in the list: ↑ ↓ move, Enter opens the record, A acknowledges, S shelves, R resets." : "");
    const stop = focused && all("tr[data-id]", body).find((node) => node.dataset.id === focused);
    if (stop) focusRow(stop);
    else one("tr[data-id]", body)?.setAttribute("tabindex", "0");
    paintAside(state);
    if (journalKey !== key) { journalKey = key; readJournal(); }
  };

  const aside = (state) => [...(state.alarms?.shelved || []), ...(state.alarms?.out_of_service || [])];
  const paintAside = (state) => {
    const rows = aside(state), nowMs = state.now_ms;
    one("#aside-title").hidden = !rows.length;
    one("#aside-rows").closest(".table-box").hidden = !rows.length;
    one("#aside-rows").replaceChildren(...rows.map((row) => make("tr", {},
      make("td", {}, badge(row.priority)), make("th", { scope: "row" }, row.equipment), make("td", { class: "said" }, recordLink(row, row.text || row.id)),
      make("td", {}, row.state === "SHLVD" ? "shelved" : "out of service"), make("td", { class: "wide" }, row.reason || ""), make("td", {}, row.shelved_by || ""),
      make("td", {}, row.state !== "SHLVD" ? "until put back" : row.shelved_until_ms ? moment(row.shelved_until_ms, nowMs) : "it returns to normal"),
      make("td", { class: "acts" }, row.state === "SHLVD" ? button("End shelf", { "data-unshelve": row.id }, `End the shelf of ${row.equipment} ${row.text}`)
        : button("Back in service", { "data-in-service": row.id }, `Put ${row.equipment} ${row.text} back in service`)))));
  };

  const readJournal = async () => {
    const body = one("#journal-rows");
    if (!body) return;
    try {
      const rows = (await read(`/api/v1/alarms?journal=${JOURNAL_SHOWN}`)).journal || [], nowMs = window.plantview.state.now_ms;
      body.replaceChildren(...rows.map((row) => make("tr", {},
        make("td", {}, make("time", {}, moment(row.at_ms, nowMs))), make("th", { scope: "row" }, row.equipment || ""), make("td", {}, CHANGES[row.kind] || row.kind),
        make("td", { class: "wide" }, row.text || ""), make("td", {}, row.person || ""), make("td", { class: "quiet" }, row.alarm || ""))));
      body.closest(".table-box").hidden = !rows.length;
    } catch (error) {
      say(one(ANSWER), `The latest changes cannot be read now: ${error.message}`);
    }
  };

  /* --- acts ----------------------------------------------------------------------------------------------- */
  const doing = async (words, refused, act) => {
    try {
      const done = await act();
      const left = Object.values(done?.refused || {});
      say(one(ANSWER), left.length ? `${words} ${left.length} were refused: ${left[0]}` : words);
      one("#comment").value = "";
      readJournal();
    } catch (error) {
      say(one(ANSWER), `${refused}: ${error.message}`);
    }
  };
  const comment = () => one("#comment").value.trim();
  const acknowledge = (ids) => {
    const initials = ids.length ? person(ANSWER) : "";
    if (!initials) return;
    if (ids.length === 1) doing(`Acknowledged by ${initials}.`, "Not acknowledged", () => post(ACKNOWLEDGE, { id: ids[0], person: initials, comment: comment() }));
    else doing(`${ids.length} acknowledged by ${initials}.`, "Not acknowledged", () => post(ACT, { act: "acknowledge", about: ids, person: initials, text: comment() }));
  };
  const simple = (act, id, words, refused) => {
    const initials = person(ANSWER);
    if (initials) doing(`${words} by ${initials}.`, refused, () => post(ACT, { act, about: [id], person: initials }));
  };
  const ids = (rows) => unacked(rows).map((row) => row.id).slice(0, 500);

  const askShelf = (id) => {
    const row = active(lastState).find((item) => item.id === id), who = row ? person(ANSWER) : "";
    if (who) window.plantviewShelf.ask(row, who, comment(), (words) => { say(one(ANSWER), words); one("#comment").value = ""; readJournal(); });
  };

  /* --- keyboard: only while a row has the focus ----------------------------------------------------------------- */
  const focusRow = (node) => {
    for (const other of all("#active-rows tr[tabindex='0']")) other.setAttribute("tabindex", "-1");
    node.setAttribute("tabindex", "0");
    node.focus();
  };
  const KEYS = {
    ArrowDown: (rows, at) => rows[at + 1] && focusRow(rows[at + 1]),
    ArrowUp: (rows, at) => rows[at - 1] && focusRow(rows[at - 1]),
    Home: (rows) => focusRow(rows[0]),
    End: (rows) => focusRow(rows.at(-1)),
    Enter: (rows, at) => location.assign(`/alarms/record?id=${encodeURIComponent(rows[at].dataset.id)}`),
    a: (rows, at) => acknowledge([rows[at].dataset.id]),
    s: (rows, at) => askShelf(rows[at].dataset.id),
    r: (rows, at) => simple("reset", rows[at].dataset.id, "Reset", "Not reset"),
  };
  const key = (event) => {
    const node = event.target;
    const act = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act || !node.matches?.("#active-rows tr[data-id]") || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const rows = all("#active-rows tr[data-id]");
    act(rows, rows.indexOf(node));
  };

  const click = (event) => {
    const node = event.target.closest("button");
    if (!node) return;
    const data = node.dataset;
    if (data.acknowledge) acknowledge([data.acknowledge]);
    else if (data.group) acknowledge(ids(active(lastState).filter((row) => row.equipment === data.group)));
    else if (node.id === "acknowledge-shown") acknowledge(ids(wanted(active(lastState))));
    else if (data.shelve) askShelf(data.shelve);
    else if (data.reset) simple("reset", data.reset, "Reset", "Not reset");
    else if (data.unshelve) simple("unshelve", data.unshelve, "Shelf ended", "Not ended");
    else if (data.inService) simple("in_service", data.inService, "Put back in service", "Not put back");
    else if (data.fold) {
      opened[opened.has(data.fold) ? "delete" : "add"](data.fold);
      paintList(lastState, true);
    }
  };

  onPage(() => {
    if (!one("#active-rows")) return;
    one("#initials-box").append(initialsField());
    one("#comment-box").append(make("input", { id: "comment", maxlength: "200", autocomplete: "off" }));
    const filter = make("input", { id: "alarm-filter", type: "search", autocomplete: "off", placeholder: "equipment, text, p1", "aria-label": "Filter the list" });
    const box = make("input", { id: "alarm-grouped", type: "checkbox" });
    box.checked = kept(GROUPED, "") === "yes";
    one("#alarm-tools").append(filter, make("label", { class: "choice" }, box, " group by equipment"), make("button", { type: "button", id: "acknowledge-shown" }, "Acknowledge all shown"));
    addressed(filter, "show").addEventListener("input", () => lastState && paintList(lastState));
    box.addEventListener("change", () => { keep(GROUPED, box.checked ? "yes" : ""); if (lastState) paintList(lastState); });
    one("#page").addEventListener("click", click);
    one("#page").addEventListener("keydown", key);
    readJournal();
  });

  onPaint((message, state) => paintList(state));
})();
