/* /startup: proofs awaited, sequence of events, fast group. Asked once a second while the page is looked at. */
(() => {
  "use strict";

  const { one, make, say, moment, shown, fillValue, onPage, onPaint } = window.plantviewPages;
  const { read, post } = window.plantviewAlarms;
  const { seconds, span, tenths, big, trouble, initials, initialsBox } = window.plantviewStartup;
  const { what, unsure, delta } = window.plantviewStartup.words;
  const PAGE = 200, LOOK_MS = 1000;
  const KINDS = [["command", "Orders"], ["status", "Status"], ["proof", "Proofs"], ["mode", "Modes"], ["fault", "Faults"], ["state", "Other states"],
    ["alarm", "Alarms"], ["device", "Device events"], ["timeout", "Timed out"], ["marker", "Marks"]];
  let equipment = "", kind = "", zero = null, newest = "", rows = [], more = false, older = [], asking = false, showAll = false, fast = null;

  /* --- proofs --------------------------------------------------------------------------------------------- */
  const STATE = { off: "not ordered", awaited: "WAITS", made: "proven", "timed out": "TIMED OUT", lost: "LOST", unknown: "not known" };
  const proofRow = (proof) => {
    const rank = proof.state.replace(" ", "-");
    const left = proof.state === "awaited" ? span(Math.max(0, proof.left_s)) : proof.state === "timed out" ? `over by ${span((window.plantview.nowMs() - proof.since_ms) / 1000)}` : "";
    const waits = proof.waits_for === "run status" ? "run status" : proof.waits_for;
    return make("tr", { class: `proof is-${rank}` },
      make("th", { scope: "row" }, proof.machine), make("td", { title: `${proof.command} → ${proof.proof}` }, waits),
      make("td", { class: "proof-state" }, make("span", { class: `proof-mark ${rank}` }, STATE[proof.state] || proof.state),
        proof.state === "awaited" && !proof.order_seen ? make("span", { class: "quiet" }, " ordered before this program looked") : ""),
      make("td", { class: "value" }, left, proof.state === "awaited" ? make("progress", { max: String(proof.timeout_s), value: String(Math.max(0, proof.left_s)), "aria-label": `time left of ${proof.timeout_s} s` }) : ""),
      make("td", { class: "value quiet", title: proof.timeout_from }, `${proof.timeout_s} s`, make("span", { class: "under" }, proof.timeout_from === "usual" ? "usual" : "set")),
      make("td", { class: "value" }, seconds(proof.last_s)));
  };
  const paintProofs = (proofs) => {
    const count = (state) => proofs.filter((proof) => proof.state === state).length;
    const open = proofs.filter((proof) => ["awaited", "timed out", "lost"].includes(proof.state));
    const unknown = count("unknown");
    say(one("#proof-count"), `${count("awaited")} awaited, ${count("timed out")} timed out, ${count("lost")} lost, ${count("made")} proven, ${count("off")} not ordered${unknown ? `, ${unknown} not known` : ""}.`);
    const ordered = proofs.filter((proof) => proof.state !== "off");
    const list = showAll || !ordered.length ? proofs : ordered;
    const urgent = (proof) => ({ "timed out": 0, lost: 1, awaited: 2 })[proof.state] ?? 3;
    const sorted = open.length ? [...list].sort((a, b) => urgent(a) - urgent(b) || a.step - b.step) : list;
    one("#proofs-rows").replaceChildren(...sorted.map(proofRow));
  };

  /* --- sequence of events --------------------------------------------------------------------------------- */
  const setZero = (row) => { zero = zero?.seq === row.seq ? null : row; painted.clear(); paintEvents(); };
  /* "24 Nov " before a time that is not today's: nothing where the clock alone says it. */
  const otherDay = (ms) => { const told = moment(ms, window.plantview.state.now_ms ? window.plantview.nowMs() : Date.now()); return told.length > 8 ? told.slice(0, -5) : ""; };
  const eventRow = (row) => {
    const day = new Date(row.at_ms).toISOString();
    return make("tr", { class: `event kind-${row.kind}${zero?.seq === row.seq ? " zero" : ""}` },
      make("td", {}, make("time", { datetime: day }, `${otherDay(row.at_ms)}${tenths(row.at_ms)}`)), make("td", { class: "value" }, delta(row.since_previous_ms)),
      make("td", { class: "value" }, zero ? delta(row.at_ms - zero.at_ms) : ""), make("td", { class: "quiet" }, unsure(row)), row.equipment ? make("th", { scope: "row" }, row.equipment) : make("td"), make("td", { class: "wide" }, what(row)),
      make("td", {}, big("Zero", () => setZero(row), { class: "zero-button", "aria-pressed": String(zero?.seq === row.seq), "aria-label": `Zero, count from ${tenths(row.at_ms)}, ${row.equipment} ${what(row)}` })));
  };
  /* A row is made once and stays where it is: thousands of them scroll while new ones come in above. */
  const painted = new Map();
  const rowOf = (row) => {
    const key = `${row.seq} ${row.since_previous_ms} ${otherDay(row.at_ms)}`;
    if (!painted.has(key)) painted.set(key, eventRow(row));
    return painted.get(key);
  };
  const paintEvents = () => {
    const list = [...rows, ...older], nodes = list.map(rowOf), body = one("#events-rows"), wanted = new Set(nodes);
    for (const [key, node] of painted) if (!wanted.has(node)) { node.remove(); painted.delete(key); }
    let place = body.firstChild;
    for (const node of nodes) {
      if (node === place) place = place.nextSibling;
      else body.insertBefore(node, place);
    }
    while (place) { const next = place.nextSibling; place.remove(); place = next; }
    one("#events").closest(".table-box").hidden = !list.length;
    const until = zero ? ` Counted from ${tenths(zero.at_ms)}.` : "";
    say(one("#event-answer"), list.length ? `${list.length} events${more ? ", older ones below" : ""}.${until}`
      : equipment || kind ? "No event matches; choose other equipment or another kind." : "Nothing has changed since this program began to look. Orders, status, proofs, alarms and marks are listed here as they come.");
    one("#event-older").hidden = !more;
  };
  const query = () => {
    const asked = new URLSearchParams();
    if (equipment) asked.set("equipment", equipment);
    if (kind) asked.set("kind", kind);
    return asked;
  };
  const readEvents = async () => {
    const asked = query();
    one("#event-export").href = `/api/v1/startup/events?${asked}${asked.size ? "&" : ""}format=csv`;
    asked.set("limit", String(PAGE));
    const told = await read(`/api/v1/startup/events?${asked}`);
    const key = `${equipment}|${kind}|${told.rows[0]?.seq}|${told.rows.length}`;
    if (key === newest) return;
    newest = key;
    if (older.length) {
      const known = new Set(told.rows.map((row) => row.seq));
      older = [...rows, ...older].filter((row) => !known.has(row.seq));
    } else more = told.more;
    rows = told.rows;
    paintEvents();
  };
  const readOlder = async () => {
    const last = [...rows, ...older].at(-1), asked = query();
    asked.set("limit", String(PAGE));
    asked.set("before_ms", String(last.at_ms));
    asked.set("before_seq", String(last.seq));
    try {
      const told = await read(`/api/v1/startup/events?${asked}`);
      older = [...older, ...told.rows];
      more = told.more;
      paintEvents();
    } catch (error) { say(one("#event-answer"), trouble(error)); }
  };

  /* --- fast group ----------------------------------------------------------------------------------------- */
  const chosen = new Set();
  const order = async (body) => {
    const person = initials();
    if (!person) return say(one("#fast-answer"), "Enter your initials first: the fast group says who asked for it.");
    try {
      fast = (await post("/api/v1/startup/fast", { ...body, person })).fast;
      paintFast();
    } catch (error) { say(one("#fast-answer"), trouble(error)); }
    return undefined;
  };
  const paintFast = () => {
    if (!fast) return;
    const names = Object.keys(fast.points), refused = Object.values(fast.refused);
    say(one("#fast-answer"), names.length
      ? `${names.length} points read at ${[...new Set(Object.values(fast.points))].sort().join(" and ")} s for ${span(fast.left_s)} more; asked for by ${fast.person}.${refused.length ? ` Not read fast: ${refused.join("; ")}` : ""}`
      : `No point is read fast. Choose up to ${fast.points_max}; they are read at 1 s, registers at 0.5 s, for at most ${fast.minutes_max} minutes, within the budget of each device.`);
    one("#fast-extend").hidden = one("#fast-end").hidden = !names.length;
    const box = one("#fast-values");
    if (box.dataset.names === names.join()) return;
    box.dataset.names = names.join();
    box.replaceChildren(...names.map((name) => make("div", { class: "fast-value" },
      make("span", { class: "quiet" }, `${name.split(".")[0]} ${window.plantview.state.signals?.[name]?.label || ""}`), make("strong", { "data-fast": name }))));
  };
  const paintFastValues = (state) => {
    for (const node of document.querySelectorAll("[data-fast]")) fillValue(node, shown(node.dataset.fast, state));
  };
  const points = () => Object.entries(window.plantview.state.signals || {}).filter(([, signal]) => !signal.derived);
  const ofMachine = (name) => points().filter(([point]) => point.slice(0, point.lastIndexOf(".")) === name).map(([point]) => point);
  const chooser = (state) => {
    const names = [...new Set(points().map(([point]) => point.slice(0, point.lastIndexOf("."))))].sort();
    const dialog = make("dialog", { class: "command-dialog", "aria-label": "Choose the fast group" });
    chosen.clear();
    for (const name of Object.keys(fast?.points || {})) chosen.add(name);
    const count = make("p", { class: "summary", role: "status" });
    const list = make("div", { class: "fast-list" });
    const counted = () => say(count, `${chosen.size} of at most ${fast?.points_max || 60} points chosen.`);
    const machine = make("select", { "aria-label": "Equipment" }, ...names.map((name) => make("option", { value: name }, name)));
    const fill = () => list.replaceChildren(...ofMachine(machine.value).map((point) => {
      const box = make("input", { type: "checkbox" });
      box.checked = chosen.has(point);
      box.addEventListener("change", () => { if (box.checked) chosen.add(point); else chosen.delete(point); counted(); });
      return make("label", { class: "big-choice" }, box, ` ${state.signals[point].label}`);
    }));
    const every = big("All of this machine", () => { for (const point of ofMachine(machine.value)) chosen.add(point); fill(); counted(); });
    const none = big("None", () => { chosen.clear(); fill(); counted(); });
    machine.addEventListener("change", fill);
    dialog.append(make("h2", {}, "Points to read fast"), make("div", { class: "startup-tools" }, machine, every, none), list, count,
      make("div", { class: "command-row ends" }, big("Leave it", () => dialog.close()),
        big("Read these fast", () => { dialog.close(); order({ act: "choose", points: [...chosen] }); }, { class: "big-button sure" })));
    dialog.addEventListener("close", () => dialog.remove());
    document.body.append(dialog);
    fill();
    counted();
    dialog.showModal();
  };

  const look = async () => {
    if (asking || document.hidden) return;
    asking = true;
    try {
      const told = await read("/api/v1/startup");
      fast = told.fast;
      paintProofs(told.proofs);
      paintFast();
      await readEvents();
      const words = told.trouble || (told.capturing.length ? `Capturing around ${told.capturing.map((one) => one.alarm).join(", ")}: five minutes before, two after.` : "");
      one("#startup-trouble").hidden = !words;
      say(one("#startup-trouble"), words);
    } catch (error) {
      one("#startup-trouble").hidden = false;
      say(one("#startup-trouble"), `What stands here is old: ${trouble(error)}`);
    } finally { asking = false; }
  };

  onPage(() => {
    if (!one("#proofs-rows")) return;
    const machines = make("select", { id: "event-equipment", "aria-label": "Equipment" }, make("option", { value: "" }, "all equipment"));
    const kinds = make("select", { id: "event-kind", "aria-label": "Kind" }, make("option", { value: "" }, "all kinds"), ...KINDS.map(([value, word]) => make("option", { value }, word)));
    const again = () => { newest = ""; older = []; readEvents().catch((error) => say(one("#event-answer"), trouble(error))); };
    machines.addEventListener("change", () => { equipment = machines.value; again(); });
    kinds.addEventListener("change", () => { kind = kinds.value; again(); });
    one("#event-tools").append(machines, kinds, big("Zero at the newest", () => { if (rows[0]) setZero(rows[0]); }), make("a", { id: "event-export", class: "like-button big-button", download: "", href: "/api/v1/startup/events?format=csv" }, "Export as CSV"));
    one("#event-more").append(big("Older events", readOlder, { id: "event-older", hidden: "" }));
    const all = big("Show machines not ordered", () => { showAll = !showAll; say(all, showAll ? "Only what is ordered" : "Show machines not ordered"); look(); });
    one("#proof-count").after(make("div", { class: "startup-tools" }, all));
    one("#fast-tools").append(initialsBox(), big("Choose points", () => chooser(window.plantview.state), { id: "fast-choose" }), big("30 minutes more", () => order({ act: "extend" }), { id: "fast-extend", hidden: "" }), big("End it", () => order({ act: "end" }), { id: "fast-end", hidden: "" }));
    const fill = () => {
      const names = [...new Set(points().map(([point]) => point.slice(0, point.lastIndexOf("."))))].sort();
      if (machines.options.length > 1 || !names.length) return;
      machines.append(...names.map((name) => make("option", { value: name }, name)));
      const asked = new URLSearchParams(location.search).get("equipment");
      if (asked && names.includes(asked)) { machines.value = equipment = asked; again(); }
    };
    onPaint((_message, state) => { fill(); paintFastValues(state); });
    document.addEventListener("plantview-marked", look);
    look();
    setInterval(look, LOOK_MS);
  });
})();
