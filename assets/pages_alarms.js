/* What the alarm pages share: signs, words, times, acts and the marks in the navigation. */
(() => {
  "use strict";

  const { one, all, make, machine, say, moment, age, kept, keep, KEPT, countBeside, onPaint, onPage } = window.plantviewPages;
  const RANKS = ["", "first", "second", "third"];

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

  const WORDS = {
    NORM: "normal", UNACK: "active, not acknowledged", ACKED: "active, acknowledged", RTNUN: "back to normal, not acknowledged",
    LATUN: "cause gone, latched, not acknowledged", LATAC: "cause gone, latched: reset it", SHLVD: "shelved",
    DSUPR: "suppressed: it does not apply now", OOSRV: "out of service",
  };
  /* What the state is, and of an alarm that is over since when. */
  const stateWord = (row, nowMs) => {
    const speaker = row.state === "DSUPR" && row.suppressed_by && row.suppressed_by !== "by design" ? `active, and ${row.suppressed_by} speaks for it` : "";
    const word = speaker || WORDS[row.state] || (row.acked ? WORDS.ACKED : WORDS.UNACK);
    const returned = ["RTNUN", "LATUN", "LATAC"].includes(row.state) && row.returned_ms ? `, since ${moment(row.returned_ms, nowMs)}` : "";
    return `${word}${returned}${row.frozen ? "; its device is silent, this is the last known state" : ""}`;
  };

  const firstOut = (row) => {
    if (!row.first_out) return "";
    const place = RANKS[row.first_out] || `${row.first_out}th`;
    return row.first_out_tie ? `${place}, within one poll of others` : row.first_out === 1 ? "came first" : place;
  };

  const ageOf = (ms, nowMs) => age(Math.max(0, (nowMs - ms) / 1000));
  const recordLink = (row, text) => make("a", { href: `/alarms/record?id=${encodeURIComponent(row.id)}` }, text);

  /* A machine's name leads to its page, a device's to the devices. */
  const placeLink = (equipment) => {
    const state = window.plantview.state;
    const link = machine(equipment);
    if (link !== equipment) return link;
    return (state.health?.devices || []).some((device) => device.id === equipment) ? make("a", { href: "/devices" }, equipment) : equipment;
  };

  const CHANGES = {
    ANN: "came", RTN: "back to normal", ACK: "acknowledged", REALARM: "came again", RESET: "reset", SHELVE: "shelved", UNSHELVE: "shelf ended",
    SUPPRESS: "suppressed", UNSUPPRESS: "suppression ended", COVERED: "another alarm speaks for it", RESUME: "speaks for itself again",
    FOUND: "found so at its device", NOTE: "comment", OOS: "out of service", INSERV: "back in service", EVENT: "event", REFUSED: "refused", CLOSED: "rule removed", CLOCK: "clock stepped",
  };

  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";
  const answered = async (answer) => {
    const read = await answer.json();
    if (!answer.ok) throw new Error(`${read.detail}. ${read.remedy}`);
    return read;
  };
  const read = async (path) => answered(await fetch(path));
  const post = async (path, body) => answered(await fetch(path, {
    method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() }, body: JSON.stringify(body),
  }));

  /* Whoever signed in acts under that name, if the role may; where nobody signs in, under initials. */
  const signedIn = () => {
    const known = window.plantviewSession?.who?.();
    return known?.accounts ? known : null;
  };
  const mayAct = (known) => known.may.includes("alarms");

  /* The name or initials of who acts; without them nothing is done, and the answer says so. */
  const person = (answer) => {
    const known = signedIn();
    if (known) {
      if (mayAct(known)) return known.name;
      say(one(answer), `${known.name} is signed in as ${known.role}, who may not act on alarms.`);
      return "";
    }
    const initials = one("#initials").value.trim();
    if (initials) keep(KEPT.initials, initials);
    else {
      say(one(answer), "Enter your initials first: an act on an alarm says who did it.");
      one("#initials").focus();
    }
    return initials;
  };
  const initialsField = () => make("input", { id: "initials", maxlength: "20", autocomplete: "nickname", value: kept(KEPT.initials, "") });
  const paintWho = () => {
    const field = one("#initials"), known = field && signedIn();
    if (!known || field.hidden) return;
    field.hidden = true;
    say(one('label[for="initials"]'), `Signed in as ${known.name}${mayAct(known) ? "" : ` (${known.role}, who may not act on alarms)`}`);
  };

  const markPages = () => {
    for (const link of all(".alarm-pages a")) if (link.dataset.page === location.pathname) link.setAttribute("aria-current", "page");
    if (location.pathname.startsWith("/alarms/")) one('.pages a[data-page="/alarms"]')?.setAttribute("aria-current", "true");
  };

  /* How many wait for somebody stands beside the link on every page. */
  const paintCount = (state) => {
    if (location.pathname.startsWith("/past")) return; // what stood then waits for nobody now
    countBeside("/alarms", state.silent ? 0 : (state.alarms?.active || []).filter((row) => !row.acked).length, "not acknowledged");
  };

  window.plantviewAlarms = { badge, stateWord, firstOut, ageOf, recordLink, placeLink, CHANGES, read, post, person, initialsField };
  onPage(markPages);
  onPaint((message, state) => { paintCount(state); paintWho(); });
})();
