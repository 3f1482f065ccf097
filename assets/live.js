/* Live values: one WebSocket and one state. Nothing here computes plant values; it formats what arrives
   and says plainly when nothing arrives. live_drawing.js and live_headline.js draw, the pages subscribe. */
(() => {
  "use strict";

  const SILENCE_MS = 5000; // 3 periods of 1 s and 2 s on top
  const GONE_MS = 60000; // then the last numbers are no help any more, and are taken away
  const BACK_OFF_MS = [500, 1000, 2000, 4000, 8000, 15000];
  const SESSION_ENDED = 4401;
  const STALE = 2, BAD = 3;
  const PARTS = ["signals", "readings", "conditions", "flows", "alarms", "health", "speed", "simulated", "zone", "link"];

  const state = {
    seq: -1, now_ms: 0, link: { ok: false, since_ms: 0 }, speed: 1, simulated: false, zone: "", units: "si",
    signals: {}, readings: {}, conditions: {}, flows: {}, alarms: { active: [], counts: {} }, health: {},
    heard: 0, silent: true, silent_from: performance.now(), gone: false,
  };
  const subscribers = [];

  function nowMs() {
    return state.now_ms + (performance.now() - state.heard) * state.speed;
  }

  function format(signal, value) {
    if (signal.states && Object.keys(signal.states).length) return { number: signal.states[value] ?? String(value), unit: "" };
    const line = signal[state.units] || signal.si;
    const shown = value * line.f + line.o;
    const number = shown.toFixed(line.d);
    return { number: Number(number) === 0 ? number.replace("-", "") : number, unit: line.u };
  }

  function text(name) {
    const signal = state.signals[name], reading = state.readings[name];
    if (!signal || !reading) return { number: "", unit: "", quality: BAD, reason: "not read yet", age_s: null };
    const [value, quality, reason, at] = reading;
    const age_s = Math.max(0, (nowMs() - at) / 1000);
    if (value === null || quality >= BAD) return { number: "", unit: "", quality: BAD, reason, age_s };
    if (state.gone) return { number: "", unit: "", quality: BAD, reason: "no data from the plant", age_s };
    if (state.silent) return { ...format(signal, value), quality: Math.max(quality, STALE), reason: "no data from the plant", age_s };
    return { ...format(signal, value), quality, reason, age_s };
  }

  function clockText(ms) {
    const options = { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false };
    if (state.zone) options.timeZone = state.zone;
    return new Intl.DateTimeFormat("en-GB", options).format(ms);
  }

  /* --- what each message changes ----------------------------------------------------------------- */
  function tellAll(message) {
    const banner = document.getElementById("no-data");
    const words = !state.silent ? "" : state.link.since_ms ? `NO DATA SINCE ${clockText(state.link.since_ms)}` : "NO DATA YET";
    if (banner && banner.textContent !== words) banner.textContent = words;
    document.body.classList.toggle("stale-page", state.silent);
    for (const tell of subscribers) tell(message, state);
  }

  function apply(message) {
    if (message.kind === "delta" && message.prev !== state.seq) return false;
    state.heard = performance.now();
    if (message.now_ms) state.now_ms = message.now_ms;
    if (message.kind === "snapshot") {
      for (const part of PARTS) if (message[part] !== undefined) state[part] = message[part];
    } else if (message.kind === "delta") {
      for (const part of ["readings", "conditions", "flows"]) Object.assign(state[part], message[part]);
      for (const part of ["alarms", "health"]) if (message[part]) state[part] = message[part];
      state.link = { ok: true, since_ms: message.now_ms };
    } else if (message.kind === "link") {
      state.link = { ok: message.ok, since_ms: message.since_ms };
    }
    if (message.seq !== undefined) state.seq = message.seq;
    hearing(state.link.ok);
    tellAll(message);
    return true;
  }

  function hearing(ok) {
    if (ok) state.gone = false;
    else if (!state.silent) state.silent_from = performance.now();
    state.silent = !ok;
  }

  /* --- connection and watchdog ------------------------------------------------------------------------- */
  let socket = null, attempt = 0;

  function connect() {
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    socket = new WebSocket(`${scheme}//${location.host}/live`);
    socket.onmessage = (event) => {
      attempt = 0;
      if (!apply(JSON.parse(event.data))) reconnect();
    };
    socket.onclose = (event) => {
      if (event.code === SESSION_ENDED) window.plantviewSession?.look();
      reconnect();
    };
  }

  /* A half-open connection may take long to close: it is left behind, not waited for. */
  function reconnect() {
    socket.onmessage = socket.onclose = null;
    socket.close();
    state.seq = -1;
    setTimeout(connect, BACK_OFF_MS[Math.min(attempt, BACK_OFF_MS.length - 1)]);
    attempt += 1;
  }

  function watch() {
    const now = performance.now();
    if (state.silent && !state.gone && now - state.silent_from > GONE_MS) {
      state.gone = true;
      tellAll({ kind: "silence" });
    }
    if (state.silent || now - state.heard < SILENCE_MS) return;
    hearing(false);
    state.link = { ok: false, since_ms: state.now_ms };
    reconnect();
    tellAll({ kind: "silence" });
  }

  function setUnits(system) {
    state.units = system === "ip" ? "ip" : "si";
    try { localStorage.setItem("plantview.units", state.units); } catch { /* private window: as long as the page */ }
    tellAll({ kind: "units" });
  }

  function chosenUnits() {
    const told = document.querySelector("[data-units]");
    let kept = null;
    try { kept = localStorage.getItem("plantview.units"); } catch { /* private window */ }
    return kept || (told ? told.dataset.units : null);
  }

  function start() {
    state.units = chosenUnits() || "si";
    if (!chosenUnits()) waitForShell();
    if (location.pathname.startsWith("/past")) return; // nothing live may come onto a page of the past
    connect();
    setInterval(watch, 1000);
  }

  /* The shell, which names the plant's units, arrives after the scripts. */
  function waitForShell() {
    const observer = new MutationObserver(() => {
      if (!chosenUnits()) return;
      observer.disconnect();
      state.units = chosenUnits();
      tellAll({ kind: "units" });
    });
    observer.observe(document.documentElement, { childList: true, subtree: true });
  }

  window.plantview = {
    state, text, apply, setUnits, clockText, nowMs,
    subscribe: (tell) => subscribers.push(tell), repaint: () => tellAll({ kind: "repaint" }),
  };
  start();
})();
