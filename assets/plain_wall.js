/* The wall page looks after itself: theme by the clock, burn-in, heartbeat, reloading. Loaded on /wall only. */
(() => {
  "use strict";

  const SHIFT_MS = 600000; // burn-in: the picture moves by two pixels every ten minutes
  const CHECK_MS = 30000;
  const LOST_MS = 60000; // after a minute without data the page is fetched anew, as soon as the server answers
  const RELOAD_HOUR = 4;
  const live = window.plantview;
  const one = (selector) => document.querySelector(selector);
  const settings = document.body.dataset;
  const born = performance.now();
  let beat = false, shift = 0;

  const say = (element, text) => { if (element && element.textContent !== text) element.textContent = text; };

  const plantHour = (ms) => Number(new Intl.DateTimeFormat("en-GB", { timeZone: live.state.zone || undefined, hour: "2-digit", hourCycle: "h23" }).format(ms));

  const clock = (ms) => new Intl.DateTimeFormat("en-GB", {
    timeZone: live.state.zone || undefined, weekday: "short", day: "2-digit", month: "short",
    hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23",
  }).format(ms).replace(/,/g, "");

  const zone = (ms) => new Intl.DateTimeFormat("en-US", { timeZone: live.state.zone || undefined, timeZoneName: "short" })
    .formatToParts(ms).find((part) => part.type === "timeZoneName").value;

  const theme = (ms) => {
    const hour = plantHour(ms);
    const light = hour >= Number(settings.day) && hour < Number(settings.night);
    document.documentElement.dataset.theme = light ? "light" : "dark";
  };

  const health = (state) => {
    const devices = (state.health && state.health.devices) || [];
    const answering = devices.filter((device) => device.state === "answering").length;
    const old = Object.values(state.readings).filter((reading) => reading[1] === 2).length;
    const counts = (state.alarms && state.alarms.counts) || {};
    return [
      `${answering} of ${devices.length} devices answer`, `${old} values stale`,
      `alarms not acknowledged: ${counts.unacked || 0}`, `plantview ${settings.version}`,
    ].join("  ·  ");
  };

  const patch = (message, state) => {
    say(one("#link"), state.silent ? "NO DATA" : "LIVE");
    say(one("#health"), state.silent ? "no data from the plant; this page tries again by itself" : health(state));
    const mark = one("#simulated");
    if (mark) say(mark, `SIMULATED ×${state.speed}`);
    if (!message || !state.now_ms || message.kind === "silence") return;
    say(one("#clock"), `${clock(state.now_ms)} ${zone(state.now_ms)}`); // drawn from what was received, so that a frozen page has a frozen clock
    theme(state.now_ms);
    beat = !beat;
    one("#beat").classList.toggle("on", beat);
  };

  const reload = async () => {
    try {
      if ((await fetch("/healthz", { cache: "no-store" })).ok) location.reload();
    } catch { /* the server is away: the old page stays, and says so */ }
  };

  const newVersion = async () => {
    try {
      const answer = await fetch("/api/v1/plant", { cache: "no-store" });
      const told = (await answer.json()).version;
      return Boolean(told) && told !== settings.version;
    } catch {
      return false;
    }
  };

  const check = async () => {
    const age = performance.now() - born;
    const lost = live.state.silent && performance.now() - live.state.silent_from > LOST_MS;
    const night = age > 3600000 * 2 && plantHour(live.nowMs()) === RELOAD_HOUR;
    if (lost || night || await newVersion()) await reload();
  };

  live.subscribe(patch);
  setInterval(check, CHECK_MS);
  setInterval(() => {
    shift = (shift + 1) % 4;
    one("main").className = `shift-${shift}`;
  }, SHIFT_MS);
})();
