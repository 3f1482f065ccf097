/* What stands around every page: theme, units, clock, link state, navigation.
   Loaded after live.js, before pages_*.js, which use window.plantviewPages. */
(() => {
  "use strict";

  const QUALITIES = ["GOOD", "UNCERTAIN", "STALE", "BAD"];
  const THEMES = ["auto", "light", "dark"];
  const KEPT = { theme: "plantview.theme", initials: "plantview.initials" };

  const narrow = matchMedia("(max-width: 700px)");

  const one = (selector, inside = document) => inside.querySelector(selector);
  const all = (selector, inside = document) => [...inside.querySelectorAll(selector)];

  /* Build an element: make("td", {class: "n", "data-signal": name}, "text", child…). Text is never read as markup. */
  const make = (kind, attributes = {}, ...children) => {
    const svg = ["svg", "path", "polygon", "circle", "line", "rect", "text", "g"].includes(kind);
    const node = svg ? document.createElementNS("http://www.w3.org/2000/svg", kind) : document.createElement(kind);
    for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
    node.append(...children);
    return node;
  };

  const say = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };

  const zone = () => document.documentElement.dataset.zone || "UTC";
  const formats = new Map();
  const local = (ms, options) => {
    const key = JSON.stringify(options);
    if (!formats.has(key)) {
      formats.set(key, new Intl.DateTimeFormat("en-GB", { timeZone: zone(), hourCycle: "h23", ...options }));
    }
    return formats.get(key).format(ms);
  };
  const hhmm = (ms) => local(ms, { hour: "2-digit", minute: "2-digit" });
  const hhmmss = (ms) => local(ms, { hour: "2-digit", minute: "2-digit", second: "2-digit" });
  const zoneName = (ms) => new Intl.DateTimeFormat("en-US", { timeZone: zone(), timeZoneName: "short" })
    .formatToParts(ms).find((part) => part.type === "timeZoneName").value;
  /* "Chicago" for America/Chicago: true in summer and in winter, as no abbreviation is. */
  const place = () => zone().split("/").at(-1).replaceAll("_", " ");
  const clockText = (ms) => `${local(ms, { weekday: "short", day: "2-digit", month: "short" }).replace(",", "")} ${hhmmss(ms)} ${zoneName(ms)}`;
  /* Today's times without the date, older ones with it. */
  const moment = (ms, nowMs) => {
    const day = { day: "2-digit", month: "short" };
    return local(ms, day) === local(nowMs, day) ? hhmmss(ms) : `${local(ms, day)} ${hhmm(ms)}`;
  };
  const age = (seconds) => {
    if (!Number.isFinite(seconds)) return "";
    for (const [size, word] of [[86400, "d"], [3600, "h"], [60, "min"]]) {
      if (seconds >= 2 * size) return `${Math.round(seconds / size)} ${word}`;
    }
    return `${Math.max(0, Math.round(seconds))} s`;
  };

  /* Minus sign, not hyphen, so that digits line up. */
  const fixed = (value, digits) => value.toFixed(digits).replace(/^-(?=0(\.0*)?$)/, "").replace("-", "−");
  const scale = (signal, units) => signal[units];
  const toShown = (signal, reported, units) => reported * scale(signal, units).f + scale(signal, units).o;
  /* One signal's samples as lines, broken where nothing was known: at bad samples, and where samples are missing. */
  const pieces = (read, signal, units, placeX) => {
    const longest = 3.5 * 1000 * (signal.period_s || 15), steps = Object.keys(signal.states || {}).length > 0, found = [];
    let piece = null, last = 0;
    read.at_ms.forEach((at, index) => {
      const raw = read.values[index];
      if (raw === null || read.quality[index] === 3) { piece = null; return; }
      const value = steps ? raw : toShown(signal, raw, units);
      if (!piece || at - last > longest) found.push(piece = []);
      else if (steps) piece.push([placeX(at), piece.at(-1)[1]]);
      piece.push([placeX(at), value]);
      last = at;
    });
    return found;
  };

  /* Calculations and design data come in the SI unit of the quantity, which is also what an SI viewer sees. */
  const siToShown = (signal, si, units) => toShown(signal, (si - signal.si.o) / signal.si.f, units);

  /* A value by name and what may be said about it; number is "" where none may be shown. */
  const shown = (name, state) => {
    const signal = state.signals?.[name];
    const given = window.plantview.text(name);
    const quality = typeof given.quality === "number" ? QUALITIES[given.quality] : given.quality;
    const known = quality !== "BAD" && given.number !== "" && given.number !== null && given.number !== undefined;
    return { signal, number: known ? String(given.number) : "", unit: given.unit || "", quality, reason: given.reason || "", age_s: given.age_s };
  };

  /* Fill a node with number and unit, or with the hatched box that stands for "not known". */
  const fillValue = (node, value, withUnit = true) => {
    const key = [value.number, withUnit && value.unit, value.quality].join("|");
    if (node.dataset.filled === key) return;
    node.dataset.filled = key;
    node.classList.toggle("stale", value.quality === "STALE");
    node.classList.toggle("bad", value.number === "");
    const unit = withUnit && value.number !== "" && value.unit ? [make("span", { class: "unit" }, value.unit)] : [];
    node.replaceChildren(value.number === "" ? make("span", { class: "unknown" }, "?") : make("span", { class: "number" }, value.number), ...unit);
  };

  /* What has a page of its own is a link to it; a header or the whole plant is its name. */
  const MACHINES = new Set((document.documentElement.dataset.machines || "").split(" ").filter(Boolean));
  const machine = (id) => (MACHINES.has(id) ? make("a", { href: `/equipment?id=${encodeURIComponent(id)}` }, id) : id);

  const kept = (key, fallback) => { try { return localStorage.getItem(key) || fallback; } catch { return fallback; } };
  /* A field whose content stands in the address, so that what is shown can be passed on. */
  const addressed = (field, name) => {
    field.value = new URLSearchParams(location.search).get(name) || "";
    field.addEventListener("input", () => {
      const address = new URL(location.href), words = field.value.trim();
      if (words) address.searchParams.set(name, words); else address.searchParams.delete(name);
      history.replaceState(history.state, "", address);
    });
    return field;
  };

  const keep = (key, value) => { try { localStorage.setItem(key, value); } catch { /* private window: lasts as long as the page */ } };

  const showTheme = (theme) => {
    const dark = theme === "dark" || (theme === "auto" && matchMedia("(prefers-color-scheme: dark)").matches);
    document.documentElement.dataset.theme = dark ? "dark" : "light";
    const button = one("#theme");
    if (button) {
      say(button, theme[0].toUpperCase() + theme.slice(1));
      button.setAttribute("aria-label", `Theme ${theme}. Change`);
    }
  };
  const nextTheme = () => {
    const theme = THEMES[(THEMES.indexOf(kept(KEPT.theme, "auto")) + 1) % THEMES.length];
    keep(KEPT.theme, theme);
    showTheme(theme);
  };

  const showUnits = (state) => {
    const button = one("#units");
    if (!button) return;
    say(button, state.units === "si" ? "SI" : "IP");
    button.setAttribute("aria-label", state.units === "si" ? "Units SI. Change to inch-pound" : "Units IP, inch-pound. Change to SI");
  };
  const nextUnits = () => {
    const live = window.plantview;
    live.setUnits(live.state.units === "si" ? "ip" : "si");
    const address = new URL(location.href);
    if (!address.searchParams.has("units")) return;
    address.searchParams.set("units", live.state.units);
    history.replaceState(history.state, "", address);
  };

  const showLink = (state) => {
    const node = one("#link");
    const since = state.link?.since_ms;
    const lost = Boolean(since) && !state.link.ok;
    say(node, !since ? "CONNECTING" : lost ? `NO DATA SINCE ${hhmm(since)}` : "LIVE");
    node?.classList.toggle("lost", lost);
  };

  const showClock = (state) => {
    const node = one("#clock");
    if (!node || !state.now_ms) return;
    say(node, narrow.matches ? `${hhmmss(state.now_ms)} ${zoneName(state.now_ms)}` : clockText(state.now_ms));
    node.setAttribute("datetime", new Date(state.now_ms).toISOString());
  };

  const showSimulated = (state) => { if (state.simulated) say(one("#simulated"), `SIMULATED ×${state.speed}`); };

  const markPage = () => {
    for (const link of all("a[data-page]")) {
      if (link.dataset.page === location.pathname) {
        link.setAttribute("aria-current", "page");
        link.parentElement.scrollLeft = link.offsetLeft - link.parentElement.clientWidth / 2;
      }
    }
    document.body.dataset.page = location.pathname;
    one("#help")?.setAttribute("href", `/help#page${location.pathname.replaceAll("/", "-")}`);
    for (const node of all("th .zone")) say(node, ` (${place()})`);
  };

  /* How many wait for somebody, beside the link of their page; the words are for those who hear the page. */
  const countBeside = (path, count, words) => {
    const link = one(`.pages a[data-page="${path}"]`);
    if (!link) return;
    const mark = one(".count", link) || link.appendChild(make("span", { class: "count" }, make("span"), make("span", { class: "unseen" })));
    mark.hidden = !count;
    say(mark.firstChild, String(count));
    say(mark.lastChild, ` ${words}`);
  };

  /* Pages arrive from the server after the scripts: fill them as soon as they stand. */
  const painters = [];
  const tell = (message, state) => {
    if (!one("#page")?.childElementCount) return;
    showSimulated(state);
    showUnits(state);
    showLink(state);
    showClock(state);
    for (const paint of painters) paint(message, state);
  };

  const started = () => {
    if (!one("#page")?.childElementCount) return false;
    markPage();
    showTheme(kept(KEPT.theme, "auto"));
    one("#theme").addEventListener("click", nextTheme);
    one("#units").addEventListener("click", nextUnits);
    one("#alarm-strip")?.addEventListener("click", () => location.assign("/alarms"));
    document.dispatchEvent(new Event("plantview-page"));
    tell({ kind: "page" }, window.plantview.state);
    return true;
  };

  window.plantviewPages = {
    one, all, make, machine, say, fixed, shown, fillValue, toShown, siToShown, pieces, hhmm, hhmmss, moment, age, kept, keep, addressed, KEPT, QUALITIES,
    zoneName, countBeside, onPaint: (paint) => painters.push(paint),
    onPage: (begin) => document.addEventListener("plantview-page", begin, { once: true }),
  };

  showTheme(kept(KEPT.theme, "auto"));
  addEventListener("beforeprint", () => { document.documentElement.dataset.theme = "light"; }); // drawn lines too: paper is white
  addEventListener("afterprint", () => showTheme(kept(KEPT.theme, "auto")));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => showTheme(kept(KEPT.theme, "auto")));
  window.plantview.subscribe(tell);
  if (!started()) {
    const observer = new MutationObserver(() => { if (started()) observer.disconnect(); });
    observer.observe(document.body, { childList: true, subtree: true });
  }
})();
