/* The page that looks back: asks /api/v1/past for frames of the past and hands them on as if they had been heard.
   There is no live socket on this page (live.js does not connect), so that nothing of the present can come in. */
(() => {
  "use strict";
  if (!location.pathname.startsWith("/past")) return;

  const SPEEDS = [1, 10, 60, 120, 300, 600];
  const STEPS = [[-3600, "−1 h", "An hour back"], [-60, "−1 min", "A minute back"], [-1, "−1 s", "A second back"],
    [1, "+1 s", "A second on"], [60, "+1 min", "A minute on"], [3600, "+1 h", "An hour on"]];
  const FRAME_MS = 500; // played faster than twice the plant's pace two frames a second are shown, further apart
  const AT_ONCE = 40, AHEAD = 20, DAY_MS = 86400000, STEP_S_MAX = 3600;
  const MONTH_MS = 31 * DAY_MS;

  const { one, make, say, hhmm, hhmmss, onPaint, onPage } = window.plantviewPages;
  const { state, apply } = window.plantview;
  const asked = new URLSearchParams(location.search);
  let at = null, extent = null, calls = [], speed = 60, playing = null, buffer = [], wanted = 0, described = false;

  const zone = () => document.documentElement.dataset.zone || "UTC";
  const dayText = (ms) => new Intl.DateTimeFormat("en-GB", { timeZone: zone(), weekday: "short", day: "2-digit", month: "short", year: "numeric" }).format(ms).replaceAll(",", "");
  const zoneName = (ms) => new Intl.DateTimeFormat("en-US", { timeZone: zone(), timeZoneName: "short" }).formatToParts(ms).find((part) => part.type === "timeZoneName").value;
  const momentText = (ms) => `${dayText(ms)} ${hhmmss(ms)} ${zoneName(ms)}`;
  const ago = (ms) => {
    const seconds = Math.max(0, (Date.now() - ms) / 1000);
    const [size, word] = [[86400, "days"], [3600, "hours"], [60, "minutes"], [1, "seconds"]].find(([length]) => seconds >= 2 * length) || [1, "seconds"];
    return `${Math.round(seconds / size)} ${word} ago`;
  };

  /* --- the site's clock in a field of the browser -------------------------------------------------------- */
  const parts = (ms) => Object.fromEntries(new Intl.DateTimeFormat("en-GB", {
    timeZone: zone(), hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit",
  }).formatToParts(ms).map((part) => [part.type, part.value]));
  const fieldText = (ms) => { const p = parts(ms); return `${p.year}-${p.month}-${p.day}T${p.hour}:${p.minute}:${p.second}`; };
  const asUtc = (text) => Date.parse(`${text.length === 16 ? `${text}:00` : text}Z`);
  const fromField = (text) => {
    const local = asUtc(text);
    if (!Number.isFinite(local)) return null;
    let utc = local;
    for (let turn = 0; turn < 2; turn += 1) utc -= asUtc(fieldText(utc)) - local; // the second turn settles a changed clock
    return utc;
  };
  const dayStart = (ms) => fromField(`${fieldText(ms).slice(0, 10)}T00:00:00`);

  /* --- asking -------------------------------------------------------------------------------------------- */
  const trouble = (words) => say(one("#past-trouble"), words);

  const ask = async (path) => {
    const answer = await fetch(path, { cache: "no-store" });
    const told = await answer.json();
    if (!answer.ok) throw new Error(`${told.detail}; ${told.remedy}`);
    return told;
  };

  const frames = async (from, stepS, count) => {
    const told = await ask(`/api/v1/past?at=${from}&step_s=${stepS}&count=${count}${described ? "" : "&described=1"}`);
    if (told.signals) {
      described = true;
      Object.assign(state, { signals: told.signals, turns: told.turns, simulated: told.simulated, zone: told.zone });
    }
    trouble(told.trouble?.length ? `Not all of the history could be read: ${told.trouble[0]}` : "");
    return told.frames;
  };

  /* --- showing: the first frame whole, the next as changes ------------------------------------------------- */
  const show = (frame, whole) => {
    at = frame.at_ms;
    const parts_ = { readings: frame.readings, conditions: frame.conditions, flows: frame.flows, ...(frame.alarms ? { alarms: frame.alarms } : {}) };
    const head = { seq: Math.max(state.seq, 0) + 1, prev: state.seq, now_ms: at };
    apply(whole
      ? { kind: "snapshot", ...head, speed: 0, zone: state.zone, simulated: state.simulated, signals: state.signals, link: { ok: true, since_ms: at }, ...parts_ }
      : { kind: "delta", ...head, ...parts_ });
    place();
  };

  const seek = async (ms) => {
    const number = wanted += 1;
    buffer = [];
    const goal = Math.floor(within(ms) / 1000) * 1000;
    try {
      const [frame] = await frames(goal, 1, 1);
      if (number !== wanted) return;
      const changed = at === null || dayStart(goal) !== dayStart(at);
      show(frame, true);
      if (changed) look();
    } catch (error) {
      if (number === wanted) trouble(error.message);
    }
  };

  const within = (ms) => (extent ? Math.min(Math.max(ms, extent[0]), extent[1]) : ms);

  /* --- playing ------------------------------------------------------------------------------------------- */
  const stepS = () => Math.min(STEP_S_MAX, Math.max(1, Math.round((speed * FRAME_MS) / 1000)));
  const pauseMs = () => (stepS() * 1000) / speed;
  let filling = false;

  const fill = async () => {
    if (filling || buffer.length >= AHEAD || !playing) return;
    filling = true;
    const number = wanted, step = stepS();
    const from = (buffer.length ? buffer.at(-1).at_ms : at) + step * 1000;
    try {
      if (extent && from > extent[1]) return;
      const got = await frames(from, step, AT_ONCE);
      got.forEach((frame, index) => { frame.whole = index === 0; });
      if (number === wanted && playing) buffer.push(...got.filter((frame) => !extent || frame.at_ms <= extent[1]));
    } catch (error) {
      if (number === wanted) { trouble(error.message); stop(); }
    } finally {
      filling = false;
    }
  };

  const tick = () => {
    const next = buffer.shift();
    if (next) show(next, next.whole);
    else if (extent && at + stepS() * 1000 > extent[1] && !filling) { stop(); trouble("This is the end of what was kept."); }
    fill();
  };

  const play = () => {
    look(); // a plant that is being watched has gone on meanwhile
    buffer = [];
    wanted += 1;
    playing = setInterval(tick, pauseMs());
    fill();
    paintPlay();
  };
  const stop = () => {
    clearInterval(playing);
    playing = null;
    wanted += 1;
    buffer = [];
    paintPlay();
  };
  const paintPlay = () => {
    const button = one("#past-play");
    if (!button) return;
    say(button, playing ? "Pause" : "Play");
    button.setAttribute("aria-pressed", String(Boolean(playing)));
    for (const each of document.querySelectorAll("[data-speed]")) each.setAttribute("aria-pressed", String(Number(each.dataset.speed) === speed));
  };
  const go = (ms) => { if (playing) stop(); seek(ms); };

  /* --- where history reaches, and the calls of the days around -------------------------------------------- */
  const look = async () => {
    try {
      const middle = at ?? Date.now();
      const told = await ask(`/api/v1/past/moments?from=${Math.round(middle - MONTH_MS)}&to=${Math.round(middle + MONTH_MS)}`);
      extent = told.extent;
      calls = [...told.calls.map((call) => ({ ...call, kind: `p${call.priority}` })), ...(told.markers || []).map((mark) => ({ ...mark, kind: "marker" }))].sort((a, b) => a.at_ms - b.at_ms);
      place();
    } catch (error) { trouble(error.message); }
  };
  const before = () => calls.filter((call) => call.at_ms < at - 999).at(-1);
  const after = () => calls.find((call) => call.at_ms > at + 999);
  const jump = (call) => { if (call) go(Math.ceil(call.at_ms / 1000) * 1000); };

  /* --- what stands around the drawing ---------------------------------------------------------------------- */
  const place = () => {
    if (at === null || !one("#past-at")) return;
    say(one("#past-words"), `${momentText(at)}, ${ago(at)}. Nothing here is live, and nothing can be done here.`);
    document.title = `PAST ${hhmmss(at)} ${one("h1")?.textContent || ""}`.trim();
    if (document.activeElement !== one("#past-at")) one("#past-at").value = fieldText(at);
    const from = dayStart(at), line = one("#past-day");
    line.value = String(Math.round((at - from) / 1000));
    line.setAttribute("aria-valuetext", momentText(at));
    say(one("#past-label"), dayText(at));
    const address = new URL(location.href);
    address.searchParams.set("at", new Date(at).toISOString().replace(".000", ""));
    if (!playing || Math.abs(at - addressed) > 10000) { history.replaceState(null, "", address); addressed = at; }
    for (const link of document.querySelectorAll("a.past-keep")) {
      const to = new URL(link.href);
      to.searchParams.set("at", new Date(at).toISOString());
      link.href = to.href;
    }
    const package_ = one("#past-package");
    if (package_) package_.href = `/api/v1/evidence?to=${at}`;
    for (const [button, call, words] of [["#past-call-back", before(), "Previous alarm or marker"], ["#past-call-on", after(), "Next alarm or marker"]]) {
      one(button).disabled = !call;
      one(button).title = call ? `${words}: ${momentText(call.at_ms)} ${call.equipment || ""} ${call.text || ""}` : `${words}: none within a month`;
    }
    paintMarks(from);
  };
  let addressed = 0, marked = "";

  const paintMarks = (from) => {
    const today = calls.filter((call) => call.at_ms >= from && call.at_ms < from + DAY_MS);
    const key = `${from}|${today.length}|${extent}`;
    if (key === marked) return;
    marked = key;
    const share = (ms) => `${(Math.min(1, Math.max(0, (ms - from) / DAY_MS)) * 100).toFixed(2)}%`;
    const kept = extent ? [make("span", { class: "past-kept" })] : [];
    for (const bar of kept) Object.assign(bar.style, { left: share(extent[0]), right: `calc(100% - ${share(extent[1])})` });
    one("#past-marks").replaceChildren(...kept, ...today.map((call) => {
      const mark = make("span", { class: `past-call ${call.kind}`, title: `${hhmmss(call.at_ms)} ${call.equipment || ""} ${call.text || ""}` });
      mark.style.left = share(call.at_ms);
      return mark;
    }));
  };

  const button = (id, words, act, more = {}) => {
    const made = make("button", { type: "button", ...(id ? { id } : {}), ...more }, words);
    made.addEventListener("click", act);
    return made;
  };

  const build = () => {
    const box = one("#past-control");
    const field = make("input", { id: "past-at", type: "datetime-local", step: "1", "aria-label": `Moment, time of ${zone()}` });
    field.addEventListener("keydown", (event) => { if (event.key === "Enter") { go(fromField(field.value) ?? at); field.blur(); } });
    const line = make("input", { id: "past-day", type: "range", min: "0", max: "86399", step: "1", "aria-label": "Moment of the day" });
    line.addEventListener("change", () => go(dayStart(at) + Number(line.value) * 1000));
    line.addEventListener("input", () => say(one("#past-label"), `${dayText(at)} ${hhmmss(dayStart(at) + Number(line.value) * 1000)}`));
    const speeds = SPEEDS.map((each) => button("", `${each}×`, () => { speed = each; if (playing) { clearInterval(playing); play(); } else paintPlay(); }, { "data-speed": String(each), "aria-label": `${each}×, ${each} times as fast` }));
    const live = box.dataset.only
      ? make("span", { class: "past-live" }, "Opened without devices: there is nothing live")
      : make("a", { class: "past-live", id: "past-live", href: { "/past": "/", "/past/startup": "/startup" }[location.pathname] || `/plant${location.pathname.replace("/past", "")}?id=${encodeURIComponent(asked.get("id") || "")}` }, "Back to live");
    box.replaceChildren(
      make("div", { class: "past-row" },
        make("span", { class: "past-group" }, field, button("past-show", "Show", () => go(fromField(field.value) ?? at))),
        make("span", { class: "past-group", role: "group", "aria-label": "Step" }, ...STEPS.map(([seconds, words, title]) => button("", words, () => go(at + seconds * 1000), { title, "aria-label": `${words}, ${title}`, "data-step": String(seconds) }))),
        make("span", { class: "past-group", role: "group", "aria-label": "Play" }, button("past-play", "Play", () => (playing ? stop() : play())), ...speeds),
        make("span", { class: "past-group", role: "group", "aria-label": "Alarms" }, button("past-call-back", "Previous alarm or marker", () => jump(before())), button("past-call-on", "Next alarm or marker", () => jump(after()))),
        live),
      make("div", { class: "past-row past-dayline" }, make("span", { id: "past-label" }),
        make("div", { class: "past-line" }, make("div", { id: "past-marks", "aria-hidden": "true" }), line)),
      make("p", { id: "past-trouble", role: "status" }));
    document.body.classList.add("past-page");
    one('.pages a[data-page="/past"]')?.setAttribute("aria-current", location.pathname === "/past" ? "page" : "true");
    paintPlay();
  };

  /* Alarms that stood then: a list without any act. */
  let listed = "";
  const paintAlarms = () => {
    const box = one("#past-alarms");
    if (!box || at === null) return;
    const { active = [], unknown = "" } = state.alarms;
    const key = JSON.stringify([active.map((row) => [row.id, row.state, row.since_ms]), unknown]);
    if (key === listed) return;
    listed = key;
    const rows = active.map((row) => make("li", { class: `p${row.priority}` },
      make("b", {}, `P${row.priority}`), ` ${row.equipment} `, make("span", {}, row.text || row.id),
      make("span", { class: "quiet" }, ` since ${hhmm(row.since_ms)}, ${row.active ? "active" : "returned"}, ${row.acked ? "acknowledged" : "not acknowledged"}`)));
    const none = unknown ? `Alarms of that time are not known: ${unknown}.` : "No alarms stood then.";
    box.replaceChildren(make("h2", {}, "Alarms then"), rows.length ? make("ul", {}, ...rows) : make("p", {}, none));
  };

  /* Machines and loops lead to their drawing of the same moment; the drawing's own way leads to the present. */
  const opened = (event) => {
    if (event.type === "keydown" && event.key !== "Enter") return;
    const machine = event.target.closest?.("#schematic .machine.opens");
    if (!machine || event.target.closest("g.value")) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    location.assign(`/past/machine?id=${encodeURIComponent(machine.dataset.equipment)}&at=${new Date(at).toISOString()}`);
  };
  window.addEventListener("click", opened, true);
  window.addEventListener("keydown", opened, true);

  onPaint(() => {
    say(one("#link"), "PAST");
    one("#link")?.classList.remove("lost");
    if (state.simulated) say(one("#simulated"), "SIMULATED");
    paintAlarms();
  });
  onPage(async () => {
    build();
    await look();
    const given = asked.get("at");
    const start = given === null ? null : /^\d+$/.test(given) ? Number(given) : Date.parse(given);
    if (!extent) { trouble("Nothing was kept yet: there is no past to show. Let the plant run, or import a log."); return; }
    if (given !== null && !Number.isFinite(start)) trouble("The address names no moment; the newest one is shown.");
    await seek(Number.isFinite(start) && start !== null ? start : extent[1] - 60000);
  });
})();
