/* Live values: one WebSocket and one state. Nothing here computes plant values; it formats what arrives
   and says plainly when nothing arrives. live_drawing.js and live_headline.js draw, the pages subscribe. */
(() => {
  "use strict";

  const SILENCE_MS = 5000; // 3 periods of 1 s and 2 s on top
  const GONE_MS = 60000; // then the last numbers are no help any more, and are taken away
  const BACK_OFF_MS = [500, 1000, 2000, 4000, 5000];
  const PATIENCE_MS = 15000; // a way that leads nowhere is given up after so long, and tried again
  const HIDDEN_MS = 1000; // a page that nobody sees is drawn no more often
  const SESSION_ENDED = 4401;
  const STALE = 2, BAD = 3;
  const PARTS = ["run", "turns", "signals", "readings", "conditions", "flows", "alarms", "health", "speed", "simulated", "zone", "link"];

  const state = {
    run: "", seq: -1, now_ms: 0, link: { ok: false, since_ms: 0 }, speed: 1, simulated: false, zone: "", units: "si",
    turns: {}, signals: {}, readings: {}, conditions: {}, flows: {}, alarms: { active: [], counts: {} }, health: {},
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

  /* Reasons come in SI; a viewer of inch-pound units reads their numbers as those of the values beside them. */
  const IN_WORDS = /(-?\d+(?:\.\d+)?)( to )?(-?\d+(?:\.\d+)?)? (°C|K|L\/s|kW)(?![\w/])|(°C|K|L\/s|kPa abs), (-?\d+(?:\.\d+)?) is outside (-?\d+(?:\.\d+)?) to (-?\d+(?:\.\d+)?)/g;
  function worded(reason) {
    if (!reason || state.units !== "ip") return reason;
    const turned = (number, [factor, offset]) => (number * factor + offset).toFixed(Math.abs(factor) > 5 ? 0 : (number.split(".")[1] || "").length);
    return reason.replace(IN_WORDS, (whole, from, to, until, unit, named, value, low, high, at) => {
      const line = state.turns[named || unit];
      if (!line) return whole;
      if (named) return `${line[2]}, ${turned(value, line)} is outside ${turned(low, line)} to ${turned(high, line)}`;
      if (unit === "kW" && !/\bload\b[^,;]*$/.test(reason.slice(0, at))) return whole; // of power, kW stays kW
      return `${turned(from, line)}${to ? `${to}${turned(until, line)}` : ""} ${line[2]}`;
    });
  }

  function text(name) {
    const signal = state.signals[name], reading = state.readings[name];
    if (!signal || !reading) return { number: "", unit: "", quality: BAD, reason: "not read yet", age_s: null };
    const [value, quality, said, at] = reading, reason = worded(said);
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

  /* Return whether a message follows on what is known; the screen is told by whoever calls this. */
  function take(message) {
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
    return true;
  }

  function apply(message) {
    const follows = take(message);
    if (follows) tellAll(message);
    return follows;
  }

  /* Drawn once per picture of the screen: a slow computer skips states, it does not fall behind them. */
  let owed = null;
  function drawSoon(message) {
    if (!owed) (document.hidden ? setTimeout(drawOwed, HIDDEN_MS) : requestAnimationFrame(drawOwed));
    owed = owed?.kind === "snapshot" ? { ...message, kind: "snapshot" } : message;
  }

  function drawOwed() {
    const message = owed;
    owed = null;
    tellAll(message);
  }

  function hearing(ok) {
    if (ok) state.gone = false;
    else if (!state.silent) state.silent_from = performance.now();
    state.silent = !ok;
  }

  /* --- connection and watchdog ------------------------------------------------------------------------- */
  let socket = null, attempt = 0, asked = 0;

  /* A viewer that was away names the last state that it has, and is told what changed since then. */
  function connect() {
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    const since = state.seq >= 0 ? `?run=${state.run}&seq=${state.seq}` : "";
    asked = performance.now();
    socket = new WebSocket(`${scheme}//${location.host}/live${since}`);
    socket.binaryType = "arraybuffer";
    listen(socket);
    socket.onclose = (event) => {
      if (event.code === SESSION_ENDED) window.plantviewSession?.look();
      reconnect();
    };
  }

  function listen(own) {
    let turn = Promise.resolve(); // unpacking takes its time, and messages keep their order
    own.onmessage = ({ data }) => {
      attempt = 0;
      turn = turn.then(async () => {
        const message = JSON.parse(await unpacked(data));
        if (own !== socket) return;
        if (take(message)) drawSoon(message); else startAnew();
      }).catch((error) => {
        console.error("a live message cannot be read", error);
        if (own === socket) startAnew();
      });
    };
  }

  function unpacked(data) {
    if (typeof data === "string") return data;
    return new Response(new Blob([data]).stream().pipeThrough(new DecompressionStream("deflate"))).text();
  }

  function startAnew() {
    state.seq = -1;
    reconnect();
  }

  /* A half-open connection may take long to close: it is left behind, not waited for. */
  function reconnect() {
    socket.onmessage = socket.onclose = null;
    socket.close();
    socket = null;
    const wait = BACK_OFF_MS[Math.min(attempt, BACK_OFF_MS.length - 1)];
    setTimeout(connect, wait * (0.75 + Math.random() / 2)); // not all viewers at once
    attempt += 1;
  }

  function watch() {
    const now = performance.now(), quiet = now - state.heard;
    if (state.silent && !state.gone && now - state.silent_from > GONE_MS) {
      state.gone = true;
      tellAll({ kind: "silence" });
    }
    if (!state.silent && quiet >= SILENCE_MS) {
      hearing(false);
      state.link = { ok: false, since_ms: state.now_ms };
      if (socket) reconnect();
      tellAll({ kind: "silence" });
    } else if (socket && Math.min(quiet, now - asked) >= PATIENCE_MS) {
      reconnect();
    }
  }

  function setUnits(system) {
    state.units = system === "ip" ? "ip" : "si";
    try { localStorage.setItem("plantview.units", state.units); } catch { /* private window: as long as the page */ }
    tellAll({ kind: "units" });
  }

  /* An address may say in which units it is read; what a viewer chose for this browser stays as it is. */
  function chosenUnits() {
    const asked = new URLSearchParams(location.search).get("units");
    if (asked === "si" || asked === "ip") return asked;
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
    state, text, worded, apply, setUnits, clockText, nowMs,
    subscribe: (tell) => subscribers.push(tell), repaint: () => tellAll({ kind: "repaint" }),
  };
  start();
})();
