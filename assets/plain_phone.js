/* The phone page asks for its numbers every five seconds and says plainly when no answer comes. Loaded on /m only. */
(() => {
  "use strict";

  const ASK_MS = 5000, STALE_MS = 12000, PATIENCE_MS = 10000;
  const one = (selector) => document.querySelector(selector);
  const values = [...document.querySelectorAll("[data-v]")];
  const states = [...document.querySelectorAll("[data-s]")];
  const system = document.documentElement.dataset.units;
  let answered = performance.now(), lastPlantMs = 0, away = false;

  const say = (element, text) => { if (element.textContent !== text) element.textContent = text; };
  const make = (parent, kind, name, text) => {
    const element = document.createElement(kind);
    if (name) element.className = name;
    element.textContent = text;
    parent.append(element);
    return element;
  };

  const signed = (element, sign) => { if (sign) element.dataset.sign = sign; else delete element.dataset.sign; };

  const list = (place, rows, empty, draw) => {
    place.replaceChildren();
    if (!rows.length && empty) make(place, "p", "none", empty);
    for (const row of rows) draw(make(place, "p", "", ""), row);
  };

  const show = (told) => {
    for (const element of values) {
      const [text, mark, sign] = told.values[element.dataset.v] || ["?", "bad"];
      say(element, text);
      if (element.className !== mark) element.className = mark;
      if (element.dataset.sign !== sign) signed(element, sign);
    }
    for (const element of states) {
      const [word, detail, hand] = told.states[element.dataset.s] || ["", "", false];
      say(element, detail ? `${word} ${detail}` : word);
      element.classList.toggle("hand", hand);
      signed(element, hand ? "H" : undefined);
    }
    list(one("#alarms"), told.alarms, told.ok ? "No active alarms" : "Alarms are not known: no data", (line, [priority, who, text, at, seen, id]) => {
      line.className = `alarm p${priority}${seen ? "" : " unseen"}`;
      make(line, "b", "sign", priority);
      make(line, "b", "", who);
      make(line, "a", "", text).href = `/alarms/record?id=${encodeURIComponent(id)}`;
      make(line, "time", "", at);
    });
    if (told.missed && told.missed.length) {
      const place = one("#missed");
      place.hidden = false;
      list(place, told.missed, "", (line, [at, alarm, text]) => say(line, `${at} ${alarm} ${text}`));
      place.prepend(Object.assign(document.createElement("h2"), { textContent: "While you were away" }));
    }
  };

  const ask = async () => {
    const since = away && lastPlantMs ? `&since=${lastPlantMs}` : "";
    try {
      const answer = await fetch(`/m/now?units=${system}${since}`, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      if (!answer.ok) throw new Error(String(answer.status));
      const told = await answer.json();
      answered = performance.now();
      // an answer to a question from before the dead spot does not say what was missed: the next one asks for it
      if (!told.ok) away = true;
      else if (!away || since || !lastPlantMs) { away = false; lastPlantMs = told.now_ms; }
      show(told);
      document.body.classList.toggle("lost", !told.ok);
      say(one("#age"), told.ok ? `LIVE ${told.clock}` : `NO DATA SINCE ${told.since}`);
    } catch { /* tick says how long ago the last answer was */ }
    setTimeout(ask, ASK_MS);
  };

  const tick = () => {
    const age = performance.now() - answered;
    if (age < STALE_MS) return;
    away = true;
    document.body.classList.add("lost");
    say(one("#age"), `NO ANSWER FOR ${Math.round(age / 1000)} s: numbers below are old`);
  };

  ask();
  setInterval(tick, 1000);
})();
