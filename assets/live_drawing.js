/* Patches the drawing in place: finds its parts once, afterwards touches only what differs. */
(() => {
  "use strict";

  const STALE = 2, BAD = 3;
  const STATES = ["run", "off", "starting", "stopping", "tripped", "not-available", "no-comms", "unknown"];
  const SVG = "http://www.w3.org/2000/svg";
  // name: outline, letter, baseline; the same shape and digit wherever a priority is shown
  const SIGNS = {
    p1: ["M10 1H22L31 10V22L22 31H10L1 22V10Z", "1", 23], p2: ["M16 2L31 29H1Z", "2", 26],
    p3: ["M16 1L31 16L16 31L1 16Z", "3", 23], p4: ["M16 3A13 13 0 1 0 16 29A13 13 0 1 0 16 3Z", "4", 23],
    hand: ["M4 4H28V28H4Z", "H", 23], held: ["M2 4H22L31 16L22 28H2Z", "O", 23], clock: ["M16 4A12 12 0 1 0 16 28A12 12 0 1 0 16 4ZM16 9V16H22", "", 0],
  };

  // what the device itself reports as overridden, or an outsider's command of a higher priority
  const HELD = /^in hand at the device|overrid|held by/i;
  const LEAST_SQUEEZE = 0.75;
  const READING_SCALE = 0.48; // the least text of a drawing then stands 10.5 pixels high
  const MAP_FROM = 1.3; // a drawing so many times as tall as the window has its whole beside it, small
  const OPENED = "/plant/machine?id=";

  const { state, text, subscribe, repaint } = window.plantview;
  let nodes = null; // what of the drawing is patched
  const standingNames = new Set(); // values of standing water, for the headline too

  /* --- small steps ---------------------------------------------------------------------------- */
  function say(node, words) {
    if (node && node.textContent !== words) node.textContent = words;
  }

  function mark(node, name, on) {
    if (node.classList.contains(name) !== on) node.classList.toggle(name, on);
  }

  function set(node, name, value) {
    if (node.getAttribute(name) !== value) node.setAttribute(name, value);
  }

  function draw(parent, tag, attributes, words) {
    const node = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
    if (words) node.textContent = words;
    parent.appendChild(node);
    return node;
  }

  function fit(node, words) {
    if (node.dataset.said === words) return;
    node.dataset.said = words;
    node.removeAttribute("textLength");
    const room = Number(node.dataset.fit);
    for (let keep = words.length; keep > 1; keep -= 1) {
      node.textContent = keep === words.length ? words : words.slice(0, keep).trimEnd() + "…";
      const wide = room ? node.getComputedTextLength() : 0;
      if (wide <= room) return;
      if (room < LEAST_SQUEEZE * wide) continue;
      set(node, "lengthAdjust", "spacingAndGlyphs"); // a little too long: set narrower
      set(node, "textLength", String(room));
      return;
    }
    node.textContent = words;
  }

  function sign(parent, name, x, y, size) {
    const held = parent.querySelector(":scope > .sign-shape");
    if (held && held.dataset.sign === name) return;
    if (held) held.remove();
    if (!name) return;
    const [d, digit, baseline] = SIGNS[name];
    const shape = draw(parent, "g", { class: `sign sign-shape ${name}`, transform: `translate(${x} ${y}) scale(${size / 32})` });
    shape.dataset.sign = name;
    draw(shape, "path", { d });
    draw(shape, "text", { x: 16, y: baseline, "font-size": 20, "text-anchor": "middle" }, digit);
  }

  function worst(alarms) {
    return alarms.reduce((best, alarm) => (best === 0 || alarm.priority < best ? alarm.priority : best), 0);
  }

  function alarmsBy(field) {
    const found = {};
    for (const alarm of state.alarms.active || []) (found[alarm[field]] = found[alarm[field]] || []).push(alarm);
    return found;
  }

  function ageText(seconds) {
    if (seconds < 90) return `${Math.max(0, Math.round(seconds))} s`;
    if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
    return `${Math.round(seconds / 3600)} h`;
  }

  function ageMark(seconds) {
    return "◷" + ageText(seconds).replace(" ", "").replace("min", "m");
  }

  /* --- parts of the drawing ---------------------------------------------------------------------- */
  /* The word of the valve's condition, where it has one: every page says the same of the same valve. */
  function valveText(node, number) {
    const [, word] = state.conditions[node.dataset.valve] || [];
    return state.silent || !word || word === "?" ? `${number} %` : word;
  }

  /* Where the water goes in a pipe in which it may flow either way: on the drawing its arrow says so. */
  function towards(node, number) {
    const ends = (node.dataset.ends || "").split(" ");
    return ends.length < 2 || !Number(number) ? "" : ` to ${number.startsWith("-") ? ends[0] : ends[1]}`;
  }

  /* Water is known to stand where every flow that would move it is known to be still. */
  function stands(branches) {
    return branches.length > 0 && branches.every((key) => (state.flows[key] || [])[1] === false);
  }

  function patchValue(entry, byPoint) {
    const { node, name, hit } = entry, shown = text(name);
    const priority = worst(byPoint[name] || []);
    const held = shown.quality === 1 && HELD.test(shown.reason);
    const hand = shown.quality === 1 && !held && /hand/i.test(shown.reason);
    mark(node, "bad", shown.quality >= BAD);
    mark(node, "stale", shown.quality === STALE);
    mark(node, "doubt", shown.quality === 1 && !hand && !held);
    for (const p of [1, 2, 3, 4]) mark(node, `p${p}`, priority === p);
    const kind = priority ? `p${priority}` : hand ? "hand" : held ? "held" : "";
    mark(node, "signed", kind !== "");
    sign(node, kind, hit.x + 3, hit.y + hit.h * 0.08, hit.h * 0.84);
    const standing = stands(entry.branches) && shown.quality < STALE;
    standingNames[standing ? "add" : "delete"](name);
    mark(node, "standing", standing);
    const unit = standing ? "no flow" : shown.quality === STALE ? ageMark(shown.age_s) : node.dataset.unit || (state.units === "si" && node.dataset.unitSi) || shown.unit;
    const isValve = node.dataset.form === "valve", bare = node.dataset.ends ? shown.number.replace("-", "") : shown.number;
    say(entry.number, isValve ? valveText(node, shown.number) : bare);
    say(entry.unit, isValve && shown.quality !== STALE ? "" : unit);
    const label = state.signals[name] ? `${state.signals[name].equipment} ${state.signals[name].label}` : name;
    const told = shown.quality >= BAD ? `no value: ${shown.reason}` : `${bare} ${shown.unit}${towards(node, shown.number)}`;
    const doubt = shown.reason && shown.quality < BAD ? `, ${shown.reason}` : "";
    set(node, "aria-label", `${label}: ${told}${doubt}`);
    say(entry.title, `${label}: ${told}${doubt}`);
  }

  function patchMachine(entry, byEquipment) {
    const { node, id } = entry;
    const [operation, word, detail, hand] = state.silent ? ["unknown", "NO DATA", "", false]
      : state.conditions[id] || ["unknown", "UNKNOWN", "", false];
    set(node, "data-state", STATES.includes(operation) ? operation : "unknown");
    if (entry.word) fit(entry.word, word);
    if (entry.detail) fit(entry.detail, detail || " ");
    if (entry.body) mark(entry.body, "water-on", operation === "run");
    const priority = worst(byEquipment[id] || []);
    if (entry.place) {
      const at = entry.place;
      sign(at, priority ? `p${priority}` : hand ? "hand" : "", Number(at.dataset.x), Number(at.dataset.y), 32);
    }
    say(entry.title, [entry.label, word, detail, hand ? "in hand" : ""].filter(Boolean).join(", "));
  }

  function netFlow(flow) {
    let net = 0, gross = 0, known = true, moving = false, open = false, inferred = false, signs = new Set();
    for (const [key, way] of flow) {
      const [l_s, moves, basis] = state.flows[key] || [null, null, "unknown"];
      open = open || moves === null;
      if (!moves) continue;
      moving = true;
      inferred = inferred || basis !== "measured";
      if (l_s === null) known = false; else { net += way * l_s; gross += Math.abs(l_s); }
      signs.add(l_s === null ? way : Math.sign(way * l_s) || way);
    }
    if (state.silent) return { kind: "unknown", way: 0, inferred: false };
    if (!moving) return { kind: open ? "unknown" : "dead", way: 0, inferred: false };
    if (signs.size === 1) return { kind: "live", way: [...signs][0], inferred };
    // opposite flows: an arrow only where the difference is more than measuring noise
    if (!known || Math.abs(net) < 0.06 * gross) return { kind: "live", way: 0, inferred };
    return { kind: "live", way: Math.sign(net), inferred };
  }

  function patchPipe(entry) {
    const { kind, way, inferred } = netFlow(entry.flow);
    for (const name of ["live", "dead", "unknown"]) mark(entry.node, name, kind === name);
    mark(entry.node, "moves", way !== 0);
    mark(entry.node, "reverse", way < 0);
    mark(entry.node, "inferred", kind === "live" && inferred);
    const told = { live: inferred ? "flow inferred" : "flow", dead: "no flow", unknown: "flow unknown" }[kind];
    if (entry.title) say(entry.title, `${entry.label}: ${told}`);
  }

  function patchBar(entry) {
    const [value, quality] = state.readings[entry.name] || [null, BAD];
    const share = quality < STALE && value !== null && !state.silent ? Math.min(100, Math.max(0, value)) / 100 : 0;
    set(entry.fill, "width", (share * entry.width).toFixed(1));
  }

  function patchBasis(node) {
    const flow = state.flows[node.dataset.basis];
    say(node, flow && flow[1] && flow[2] === "inferred" && !state.silent ? "inferred" : " ");
  }

  function patchDrawing() {
    if (!nodes) return;
    const byPoint = alarmsBy("point"), byEquipment = alarmsBy("equipment");
    for (const entry of nodes.values) patchValue(entry, byPoint);
    for (const entry of nodes.machines) patchMachine(entry, byEquipment);
    nodes.pipes.forEach(patchPipe);
    nodes.bars.forEach(patchBar);
    nodes.bases.forEach(patchBasis);
  }

  function gather(root) {
    const all = (selector) => [...root.querySelectorAll(selector)];
    const number = (node, name) => Number(node.getAttribute(name));
    return {
      values: all(".value[data-signal]").map((node) => {
        const hit = node.querySelector(".hit");
        return {
          node, name: node.dataset.signal, branches: (node.dataset.branch || "").split(" ").filter(Boolean), number: node.querySelector(".number"), unit: node.querySelector(".unit"),
          title: node.querySelector("title"),
          hit: { x: number(hit, "x"), y: number(hit, "y"), h: number(hit, "height") },
        };
      }),
      machines: all(".machine[data-equipment]").map((node) => ({
        node, id: node.dataset.equipment, word: node.querySelector(":scope > .word"), detail: node.querySelector(":scope > .detail"),
        place: node.querySelector(":scope > g.sign"), title: node.querySelector(":scope > title"),
        label: (node.querySelector(":scope > title") || {}).textContent || node.dataset.equipment,
        body: node.classList.contains("tower_cell") ? node.parentNode : null,
      })),
      pipes: all(".pipe[data-flow]").map((node) => {
        const title = node.querySelector("title");
        return { node, flow: JSON.parse(node.dataset.flow), title, label: title ? title.textContent : "" };
      }),
      bars: all(".bar[data-bar]").map((node) => ({ name: node.dataset.bar, fill: node.querySelector(".fill"), width: Number(node.dataset.width) })),
      bases: all("[data-basis]"),
    };
  }

  /* --- mounting: pages come and go, the drawing is fetched once per page and shape ------------------------ */
  const narrow = matchMedia("(max-width: 700px)");

  async function mount(place) {
    const shape = narrow.matches ? "phone" : "wall";
    if (place.mounted === shape) return;
    place.mounted = shape;
    const level = place.dataset.level || "plant", id = new URLSearchParams(location.search).get("id") || "";
    const untouched = document.body.classList.contains("wall"); // a screen that nobody scrolls
    const asked = untouched && shape === "wall" ? "screen" : shape;
    const { distance, inches } = document.body.dataset;
    const seen = distance ? `&distance=${distance}&inches=${inches}` : "";
    const answer = await fetch(`/schematic.svg?orientation=${asked}&level=${level}&id=${encodeURIComponent(id)}${seen}`);
    if (!answer.ok) { place.textContent = await refusal(answer); return; }
    const parsed = new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement;
    place.replaceChildren(document.importNode(parsed, true));
    const svg = place.firstElementChild;
    recolour(svg);
    if (shape === "wall" && !untouched) keepReadable(svg);
    nodes = gather(place);
    const ways = nodes.machines.filter(({ node, id: machine }) => !node.matches(".spot") && (level !== "machine" || machine !== id));
    if (untouched) nodes.values.forEach(makeRead); else ways.forEach(makeOpen);
    repaint();
  }

  /* A crowded plant scrolls rather than shrink below what can be read; what must scroll, scrolls at reading size. */
  function keepReadable(svg) {
    const { width, height } = svg.viewBox.baseVal;
    const tall = height * Math.min(READING_SCALE, svg.clientWidth / width || READING_SCALE);
    svg.style.minHeight = `${Math.round(tall)}px`;
    if (tall > MAP_FROM * window.innerHeight) overview(svg);
  }

  /* The whole of a drawing that scrolls, small, with the part that is seen; a click leads there. */
  function overview(svg) {
    const { width, height } = svg.viewBox.baseVal;
    const map = draw(svg.parentElement, "svg", { class: "overview drawing", viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" });
    sketch(map, svg);
    const seen = draw(map, "rect", { class: "seen", x: 0, width });
    const follow = () => {
      const box = svg.getBoundingClientRect();
      const part = (pixels) => Math.min(height, Math.max(0, (pixels / box.height) * height));
      const from = part(-box.top), to = part(window.innerHeight - box.top);
      set(seen, "y", from.toFixed(0));
      set(seen, "height", Math.max(0, to - from).toFixed(0));
    };
    map.addEventListener("click", (event) => {
      const box = map.getBoundingClientRect(), place = svg.getBoundingClientRect();
      const at = ((event.clientY - box.top) / box.height) * place.height;
      window.scrollTo({ top: window.scrollY + place.top + at - window.innerHeight / 2 });
    });
    addEventListener("scroll", follow, { passive: true, capture: true });
    follow();
  }

  /* Pipes and machines only, patched like the large ones: a living copy of everything would be laid out anew with each value. */
  function sketch(map, svg) {
    for (const pipe of svg.querySelectorAll(".pipe[data-flow]")) {
      const small = map.appendChild(pipe.cloneNode(true));
      small.querySelectorAll("title, text").forEach((words) => words.remove());
    }
    const whole = svg.getScreenCTM().inverse();
    for (const mass of svg.querySelectorAll(".machine[data-equipment] > .mass")) {
      const { a, b, c, d, e, f } = whole.multiply(mass.getScreenCTM());
      const spot = draw(map, "g", { class: "machine spot", "data-equipment": mass.parentNode.dataset.equipment, transform: `matrix(${[a, b, c, d, e, f]})` });
      spot.appendChild(mass.cloneNode(false));
    }
  }

  /* A site's own colours of pipes; each theme takes its own of the two. */
  function recolour(svg) {
    for (const line of (svg.dataset.colours || "").split(";").filter(Boolean)) {
      const [name, light, dark] = line.split(" ");
      svg.style.setProperty(`--${name}`, `light-dark(${light}, ${dark})`);
    }
  }

  /* The file to save is the drawing that is looked at, in the units and the theme that are looked at. */
  function aimSaving() {
    const link = document.getElementById("drawing-save"), place = document.getElementById("schematic");
    if (!link || !place) return;
    const dark = getComputedStyle(document.documentElement).colorScheme === "dark";
    const asked = new URLSearchParams({ filled: 1, level: place.dataset.level || "plant", units: state.units, theme: dark ? "dark" : "light" });
    const id = new URLSearchParams(location.search).get("id");
    if (id) asked.set("id", id);
    set(link, "href", `/schematic.svg?${asked}`);
  }

  function printed(event) {
    if (!event.target.closest) return;
    if (event.target.closest("#drawing-print")) {
      document.body.classList.add("drawing-only"); // without what else the page tells
      window.print();
    }
    if (event.target.closest("#drawing-save")) aimSaving();
  }

  async function refusal(answer) {
    try { const told = await answer.json(); return `${told.detail}: ${told.remedy}`; } catch { return "The drawing could not be loaded; reload the page."; }
  }

  /* A machine leads to its own drawing; its values lead to their own detail. */
  function makeOpen({ node }) {
    set(node, "tabindex", "0");
    set(node, "role", "link");
    node.classList.add("opens");
  }

  /* On a screen that nobody touches a value is there to be read, not to be pressed. */
  function makeRead({ node }) {
    node.removeAttribute("tabindex");
    set(node, "role", "img");
  }

  function openMachine(event) {
    const value = event.target.closest && event.target.closest("g.value");
    const machine = event.target.closest && event.target.closest(".machine.opens");
    if (value || !machine) return;
    event.preventDefault();
    location.assign(OPENED + encodeURIComponent(machine.dataset.equipment));
  }

  function look() {
    const place = document.getElementById("schematic");
    if (place) mount(place); else nodes = null;
  }

  function pressed(event) {
    const on = event.target.closest && event.target.closest("g.value");
    if (on && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      on.dispatchEvent(new MouseEvent("click", { bubbles: true }));
    }
  }

  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
  narrow.addEventListener("change", look);
  document.addEventListener("keydown", pressed);
  document.addEventListener("click", openMachine);
  document.addEventListener("click", printed);
  addEventListener("afterprint", () => document.body.classList.remove("drawing-only"));
  document.addEventListener("keydown", (event) => { if (event.key === "Enter") openMachine(event); });
  subscribe(patchDrawing);
  look();

  window.plantviewMarks = { standingNames, say, mark, set, draw, sign, worst, alarmsBy };
})();
