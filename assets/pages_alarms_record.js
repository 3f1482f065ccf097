/* One alarm: what it says now, what to do, the trend around it, how it is set, what happened. */
(() => {
  "use strict";

  const { one, make, say, moment, hhmm, age, fixed, pieces, toShown, onPaint, onPage } = window.plantviewPages;
  const { badge, stateWord, firstOut, ageOf, placeLink, CHANGES, read, post, person, initialsField } = window.plantviewAlarms;
  const ACT = "/api/v1/alarms/act", ANSWER = "#record-said", UNSEEN = new Set(["UNACK", "RTNUN", "LATUN"]);
  const BEFORE_MS = 30 * 60000, AFTER_MS = 30 * 60000, RENEW_MS = 5000;
  const WIDTH = 460, HEIGHT = 190, LEFT = 64, RIGHT = 12, TOP = 12, BOTTOM = 28;
  let name = "", known = null, lastState = null, renewedAt = -Infinity, seq = -1;

  const facts = (rows) => make("dl", {}, ...rows.filter(([, text]) => text).flatMap(([term, text]) => [make("dt", {}, term), make("dd", {}, text)]));
  const block = (id, title, ...nodes) => one(id).replaceChildren(make("h3", {}, title), ...nodes);

  const paintNow = (alarm, nowMs) => {
    say(one("#record-title"), `${alarm.equipment}: ${alarm.text || alarm.id}`);
    const order = (alarm.first_out_order || []).map((row) => `${row.rank}. ${row.alarm}${row.tied ? " (within one poll of others)" : ""}`).join(", ");
    block("#record-now", "Now", make("p", { class: "record-state" }, badge(alarm.priority), ` ${stateWord(alarm, nowMs)}`), facts([
      ["Equipment", placeLink(alarm.equipment)],
      ["Since", alarm.since_ms ? `${moment(alarm.since_ms, nowMs)}, ${ageOf(alarm.since_ms, nowMs)} ago` : "it has not called yet"],
      ["Back to normal", alarm.returned_ms ? moment(alarm.returned_ms, nowMs) : ""],
      ["Acknowledged", alarm.acked_by ? `by ${alarm.acked_by}${alarm.comment ? `: ${alarm.comment}` : ""}` : ""],
      ["Set aside", alarm.reason ? `${alarm.reason}${alarm.shelved_by ? ` (${alarm.shelved_by})` : ""}` : ""],
      ["First-out", firstOut(alarm) && order ? `${firstOut(alarm)}: ${order}` : ""],
    ]));
  };
  const paintDo = (alarm) => block("#record-do", "What to do", facts([
    ["Do", alarm.action], ["Probably because", alarm.cause], ["Otherwise", alarm.consequence],
    ["Time to respond", alarm.time_to_respond_s ? age(alarm.time_to_respond_s) : ""],
  ]), ...(alarm.annunciated ? [] : [make("p", {}, "This is an event: it is journalled and calls nobody.")]));
  const paintRule = (alarm) => block("#record-rule", "How it is set", facts([
    ["Name", alarm.id], ["Type", alarm.type], ["Class", alarm.class], ["Watches", (alarm.points || []).join(", ")],
    ["Limit", alarm.limit_text], ["Dead band", alarm.deadband_text],
    ["Only when", alarm.when ? `${alarm.when} (otherwise ${alarm.otherwise})` : ""],
    ["Delays", `${age(alarm.on_delay_s)} on, ${age(alarm.off_delay_s)} off`], ["Seen within", age(alarm.detection_s)],
    ["Latches", alarm.latching ? "until somebody resets it" : ""], ["Calls again after", alarm.re_alarm_s ? age(alarm.re_alarm_s) : ""],
    ["May be shelved for", alarm.shelve_max_s ? age(alarm.shelve_max_s) : "never"], ["Speaks for it", alarm.speaks_for_it],
  ]));
  const paintHistory = (rows, nowMs) => {
    one("#history-rows").replaceChildren(...rows.map((row) => make("tr", {},
      make("td", {}, make("time", {}, moment(row.at_ms, nowMs))), make("th", { scope: "row" }, CHANGES[row.kind] || row.kind),
      make("td", { class: "wide" }, row.text || ""), make("td", {}, row.person || ""))));
    one("#history-rows").closest(".table-box").hidden = !rows.length;
  };

  /* --- trend ------------------------------------------------------------------------------------------- */
  const span = (alarm, nowMs) => {
    const event = alarm.since_ms || nowMs;
    return [event - BEFORE_MS, Math.min(nowMs, event + AFTER_MS)];
  };
  const draw = (past, signal, units, alarm, [from, to]) => {
    const placeX = (at) => LEFT + ((at - from) / (to - from)) * (WIDTH - LEFT - RIGHT);
    const found = pieces(past, signal, units, placeX), values = found.flat().map(([, value]) => value);
    if (!values.length) return make("p", { class: "quiet" }, "Nothing was read around the alarm, or it is too long ago.");
    const states = Object.keys(signal.states || {}).length > 0, scale = signal[units];
    const text = (value) => (states ? signal.states[String(Math.round(value))] ?? String(value) : `${fixed(value, scale.d)} ${scale.u}`);
    const least = states ? 1 : 4 * 10 ** -scale.d;
    const limit = Number.isFinite(alarm.limit_reported) ? toShown(signal, alarm.limit_reported, units) : null;
    const reach = limit === null ? values : [...values, limit];
    let [low, high] = [Math.min(...reach), Math.max(...reach)];
    if (high - low < least) [low, high] = [(low + high - least) / 2, (low + high + least) / 2];
    const placeY = (value) => HEIGHT - BOTTOM - ((value - low) / (high - low)) * (HEIGHT - TOP - BOTTOM);
    const mark = (at, words, line) => {
      if (!at || at < from || at > to) return [];
      const late = placeX(at) > WIDTH - 110;
      return [
        make("line", { class: "trend-event", x1: placeX(at), x2: placeX(at), y1: TOP, y2: HEIGHT - BOTTOM }),
        make("text", { x: placeX(at) + (late ? -5 : 5), y: TOP + 16 * line + 14, "text-anchor": late ? "end" : "start" }, words)];
    };
    const ends = states ? [...new Set(values)].map((value) => [placeY(value) + 4, text(value)]) : [[placeY(high) + 4, fixed(high, scale.d)], [placeY(low) + 4, fixed(low, scale.d)]];
    const bound = limit === null ? [] : [
      make("line", { class: "trend-limit", x1: LEFT, x2: WIDTH - RIGHT, y1: placeY(limit), y2: placeY(limit) }),
      make("text", { x: LEFT + 4, y: placeY(limit) + (placeY(limit) < TOP + 16 ? 14 : -5) }, `limit ${text(limit)}`)];
    const words = `${alarm.point || alarm.points[0]}: ${hhmm(from)} to ${hhmm(to)}, lowest ${text(Math.min(...values))}, highest ${text(Math.max(...values))}`;
    return make("figure", {}, make("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": words },
      ...ends.map(([y, label]) => make("text", { x: LEFT - 6, y, "text-anchor": "end" }, label)),
      make("line", { class: "trend-rule", x1: LEFT, x2: WIDTH - RIGHT, y1: HEIGHT - BOTTOM, y2: HEIGHT - BOTTOM }),
      make("text", { x: LEFT, y: HEIGHT - 8 }, hhmm(from)), make("text", { x: WIDTH - RIGHT, y: HEIGHT - 8, "text-anchor": "end" }, hhmm(to)),
      ...bound, ...mark(alarm.since_ms, "came", 1), ...mark(alarm.returned_ms, "back to normal", 2),
      ...found.map((piece) => make("path", { class: "trend-line", d: piece.map(([x, y], index) => `${index ? "L" : "M"}${x.toFixed(1)},${placeY(y).toFixed(1)}`).join("") + (piece.length === 1 ? "h1" : "") }))),
    make("figcaption", {}, words));
  };
  /* Where to read on: the trend page with everything that the alarm watches, and the drawing as it was when it came. */
  const further = (alarm, [from, to]) => {
    const iso = (ms) => new Date(ms).toISOString();
    const query = new URLSearchParams([...(alarm.points || []).map((point) => ["p", point]), ["from", iso(from)], ["to", iso(to)]]);
    const past = alarm.since_ms ? [" ", make("a", { href: `/past?at=${iso(alarm.since_ms)}` }, "The drawing when it came")] : [];
    return make("p", { class: "further" }, ...(alarm.points?.length ? [make("a", { href: `/trends?${query}` }, "Open in trends")] : []), ...past);
  };
  const paintTrend = async (alarm, state) => {
    const point = alarm.point || alarm.points?.[0], signal = state.signals?.[point];
    const around = span(alarm, state.now_ms), on = further(alarm, around);
    if (!signal) { block("#record-trend", "Trend", make("p", { class: "quiet" }, "It watches no value that could be drawn."), on); return; }
    try {
      const past = await read(`/api/v1/history?point=${encodeURIComponent(point)}&from=${Math.round(around[0])}&to=${Math.round(around[1])}`);
      block("#record-trend", `Trend of ${signal.label || point}`, draw(past, signal, state.units, alarm, around), on);
    } catch (error) {
      block("#record-trend", "Trend", make("p", { class: "quiet" }, `The trend cannot be read now: ${error.message}`));
    }
  };

  /* --- what the device says of its own alarm ------------------------------------------------------------- */
  const paintDevice = (alarm, nowMs) => {
    const told = alarm.device_event, when = (one) => (one.at_ms ? moment(one.at_ms, nowMs) : one.local_ms ? `${new Date(one.local_ms).toISOString().slice(0, 19).replace("T", " ")} by its own clock` : one.sequence ? `its number ${one.sequence}` : "no time told");
    one("#record-device").hidden = !alarm.device_note;
    if (!alarm.device_note) return;
    const offset = told?.clock_offset_ms;
    block("#record-device", "At the device", ...(told ? [facts([
      ["Object", told.object], ["Its state", told.state.replaceAll("-", " ")], ["Kind", told.notify],
      ...told.transitions.map((one) => [one.word.replace("to-", "To "), `${one.acknowledged ? "acknowledged" : "not acknowledged"}, ${when(one)}${one.enabled ? "" : "; it tells nobody of it"}`]),
      ["Its clock", offset === null || offset === undefined ? "not known, so its times decide nothing" : `${(Math.abs(offset) / 1000).toFixed(1)} s ${offset < 0 ? "behind" : "ahead"}, its times are corrected by it`],
    ])] : [make("p", {}, "The device does not list it now.")]), make("p", { class: "quiet" }, alarm.device_note));
  };

  /* --- acts ---------------------------------------------------------------------------------------------- */
  const BUTTONS = [
    ["comment", "Add comment", () => true],
    ["acknowledge", "Acknowledge", (alarm) => UNSEEN.has(alarm.state)],
    ["reset", "Reset", (alarm) => alarm.state === "LATAC"],
    ["shelve", "Shelve…", (alarm) => alarm.shelve_max_s > 0 && !["SHLVD", "DSUPR", "OOSRV"].includes(alarm.state)],
    ["unshelve", "End shelf", (alarm) => alarm.state === "SHLVD"],
    ["out_of_service", "Out of service", (alarm) => alarm.shelve_max_s > 0 && alarm.state !== "OOSRV"],
    ["in_service", "Put back in service", (alarm) => alarm.state === "OOSRV"],
  ];
  const DONE = {
    acknowledge: "Acknowledged", reset: "Reset", unshelve: "Shelf ended", out_of_service: "Taken out of service",
    in_service: "Put back in service", comment: "Comment added",
  };
  const finished = (words) => { say(one(ANSWER), words); one("#comment").value = ""; renew(lastState); };
  const act = async (kind) => {
    const who = person(ANSWER), text = one("#comment").value.trim();
    if (!who) return;
    if (kind === "shelve") { window.plantviewShelf.ask(known, who, text, finished); return; }
    try {
      await post(ACT, { act: kind, about: [name], person: who, text });
      finished(`${DONE[kind]} by ${who}.`);
    } catch (error) {
      say(one(ANSWER), `Not done: ${error.message}`);
      if (!text) one("#comment").focus();
    }
  };
  const paintActs = (alarm) => {
    one("#record-acts").hidden = !alarm.annunciated;
    for (const [kind, , when] of BUTTONS) one(`#record-acts [data-act="${kind}"]`).hidden = !when(alarm);
  };
  const buildActs = () => {
    const place = one("#record-acts");
    place.append(make("label", { for: "initials" }, "Your initials"), initialsField(), make("label", { for: "comment" }, "Comment or reason"),
      make("input", { id: "comment", maxlength: "500", autocomplete: "off" }),
      ...BUTTONS.map(([kind, words]) => make("button", { type: "button", "data-act": kind }, words)));
    place.hidden = true;
    place.after(make("p", { id: "record-said", role: "status", class: "summary" }));
    place.addEventListener("click", (event) => { const kind = event.target.closest("button")?.dataset.act; if (kind) act(kind); });
  };

  const renew = async (state) => {
    renewedAt = performance.now();
    seq = state.alarms?.seq;
    try {
      const told = await read(`/api/v1/alarms/record?id=${encodeURIComponent(name)}`);
      known = told.alarm;
      say(one("#record-answer"), "");
      paintNow(known, told.now_ms);
      paintActs(known);
      paintDevice(known, told.now_ms);
      paintDo(known);
      paintRule(known);
      paintHistory(told.history, told.now_ms);
      await paintTrend(known, state);
    } catch (error) {
      say(one("#record-answer"), `This record cannot be shown now: ${error.message}`);
    }
  };

  onPage(() => {
    if (!one("#record-title")) return;
    name = new URLSearchParams(location.search).get("id") || "";
    if (!name) say(one("#record-answer"), "Choose an alarm in the list.");
    buildActs();
    one("#history-rows").closest(".table-box").hidden = true;
  });
  onPaint((message, state) => {
    if (!name || !one("#record-title") || !state.now_ms) return;
    lastState = state;
    const changed = state.alarms?.seq !== seq || message.kind === "units";
    if (!known || message.kind === "units" || (changed && performance.now() - renewedAt > RENEW_MS)) {
      if (known || performance.now() - renewedAt > RENEW_MS) renew(state);
    }
  });
})();
