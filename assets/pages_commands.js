/* What is armed and overridden: a strip on every page where writing is enabled, and the tables of /overrides. */
(() => {
  "use strict";

  const { one, make, say, moment, onPage } = window.plantviewPages;
  const LOOK_MS = 4000, HEARD_MS = 10000, HELD_MS = 30000;
  let state = null, heldAt = -HELD_MS, trouble = "";

  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";
  const post = async (path, body) => {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() }, body: JSON.stringify(body) });
    const found = await answer.json().catch(() => ({}));
    if (!answer.ok) throw new Error(found.detail || "the server did not answer in a way this page understands");
    return found;
  };
  const act = (name, body = {}) => post("/api/v1/commands/act", { act: name, ...body });

  const left = (seconds) => {
    if (seconds <= 0) return "over";
    const minutes = Math.floor(seconds / 60), hours = Math.floor(minutes / 60);
    return hours ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${minutes}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
  };
  const permit = (point) => state?.permits?.find((row) => row.point === point);
  const text = (point, value) => {
    const row = permit(point);
    if (value === null || value === undefined) return "?";
    if (row && row.states[String(value)]) return row.states[String(value)];
    return `${String(Math.round(value * 1000) / 1000).replace("-", "−")} ${row ? row.unit_label : ""}`.trim();
  };
  const button = (words, click, more = {}) => {
    const made = make("button", { type: "button", class: "command-button", ...more }, words);
    made.addEventListener("click", click);
    return made;
  };
  const again = () => { heldAt = -HELD_MS; };
  const answer = (words) => say(one("#commands-answer"), words);
  const doing = (name, body, done) => async () => {
    try { again(); take(await act(name, body)); answer(done); } catch (error) { answer(error.message); }
    look();
  };

  /* --- the strip of every page: everybody sees who has armed what ------------------------------------ */
  const strip = () => {
    if (!state?.enabled) return;
    let box = one("#command-strip");
    if (!box) {
      box = make("div", { id: "command-strip", role: "status" });
      one(".top-bar")?.after(box);
    }
    const arms = state.arms.map((row) => `${row.equipment} armed by ${row.person}, ${left(row.left_s)} left`);
    const ours = state.overrides.filter((row) => row.open);
    const late = ours.filter((row) => row.signal === "NOT RELEASED" || row.signal === "OTHER WRITER" || row.signal === "HELD BACK");
    const parts = [...arms];
    if (ours.length) parts.push(`${ours.length} override${ours.length > 1 ? "s" : ""} of ours`);
    if (late.length) parts.push(`${late.length} to be looked at`);
    for (const row of state.waiting.filter((one) => !one.approved_by)) parts.push(`a command of ${row.person} for ${row.equipment} waits for a second person`);
    if (state.notices.length) parts.push(`work notice: ${state.notices.map((row) => row.equipment).join(", ")}`);
    box.hidden = !parts.length;
    const words = parts.join("  ·  ");
    if (box.dataset.words === words) return;
    box.dataset.words = words;
    box.replaceChildren(make("a", { href: "/overrides" }, words));
  };

  /* --- tables ----------------------------------------------------------------------------------------- */
  const fill = (body, rows, none = "nothing") => {
    const columns = body?.closest("table").querySelectorAll("thead th").length;
    body?.replaceChildren(...(rows.length ? rows : [make("tr", {}, make("td", { class: "quiet", colspan: String(columns) }, none))]));
  };
  const cells = (...parts) => make("tr", {}, ...parts.map((part, at) => make(at ? "td" : "th", at ? {} : { scope: "row" }, part)));
  const HOW = {
    VERIFIED: "holds, proven by reading", ACCEPTED_NOT_EFFECTIVE: "accepted, has no effect", PENDING_MIN_ONOFF: "waits for a minimum time",
    MISMATCH: "accepted, the device shows something else", REFUSED_BY_DEVICE: "refused by the device", UNKNOWN: "unknown: no answer",
    NOT_WRITTEN: "was not written", RELEASED: "released, proven by reading", FOREIGN: "another writer's value stands", PENDING: "sent, being read",
  };

  const ours = () => fill(one("#ours-rows"), state.overrides.slice().reverse().map((row) => {
    const how = [HOW[row.result] || row.result, row.detail, row.held_back, row.effect].filter(Boolean).join("; ");
    const end = row.state === "TAKEN" ? button("Seen, leave it", doing("dismiss", { id: row.id }, "left to the other writer"))
      : row.open ? button("Release…", () => window.plantviewDialog.release(row)) : "";
    const made = cells(row.equipment, row.point.split(".").slice(1).join("."), text(row.point, row.value), end, row.priority ? `priority ${row.priority}` : "no slot, stays",
      how, row.open ? left(row.left_s) : `ended`, row.person, row.reason);
    made.classList.toggle("trouble", row.open && !["HELD", "NONE"].includes(row.signal));
    made.children[5].className = made.children[8].className = "wide";
    return made;
  }));

  const notices = () => fill(one("#notices-rows"), state.notices.map((row) => cells(row.equipment, row.text, row.person, row.phone,
    moment(row.since_ms, state.now_ms), button("Remove…", () => window.plantviewDialog.notice(row)))));

  const waiting = () => {
    one("#waiting-box").hidden = !state.waiting.length;
    fill(one("#waiting-rows"), state.waiting.map((row) => cells(row.equipment, row.point.split(".").slice(1).join("."), text(row.point, row.value),
      row.approved_by || row.person === state.you?.name ? "" : button("Look at it…", () => window.plantviewDialog.approve(row)),
      row.person, row.approved_by || "nobody yet", left(row.left_s))));
  };

  const readHeld = async () => {
    if (!one("#held-rows") || performance.now() - heldAt < HELD_MS) return;
    heldAt = performance.now();
    say(one("#held-count"), "Reading every commandable point …");
    try {
      const asked = await fetch("/api/v1/commands/held", { cache: "no-store" }), found = await asked.json();
      if (!asked.ok) { say(one("#held-count"), found.detail || "Could not be read just now."); return; }
      fill(one("#held-rows"), found.held.map((row) => cells(row.equipment, row.point.split(".").slice(1).join("."), String(row.priority),
        row.word || `${row.value ?? "?"} ${row.unit_label}`.trim(), row.word ? "" : `${row.now ?? "?"} ${row.unit_label}`.trim(), row.winner ? "wins" : "",
        row.ours ? "this program" : row.by, row.since ? `${row.since} (device time)` : `at least ${moment(row.seen_since_ms, state?.now_ms || Date.now())}`, row.ours ? "ours" : "")));
      const silent = Object.entries(found.silent).map(([point, why]) => `${point}: ${why}`);
      say(one("#held-count"), `${found.held.length} ${found.held.length === 1 ? "priority" : "priorities"} held in ${found.points} commandable BACnet points.${silent.length ? ` No answer: ${silent.join("; ")}` : ""} Modbus points have no priorities.`);
    } catch { say(one("#held-count"), "Could not be read just now."); }
  };

  /* --- forms ------------------------------------------------------------------------------------------ */
  const field = (label, input) => make("label", { class: "command-field" }, make("span", {}, label), input);
  const select = (id, values) => make("select", { id }, ...values.map(([value, words]) => make("option", { value }, words)));
  const input = (id, more = {}) => make("input", { id, autocomplete: "off", ...more });
  const built = () => {
    const machines = [...new Set(state.permits.map((row) => row.equipment))];
    one("#command-arm").replaceChildren(
      field("Equipment", select("arm-equipment", machines.map((name) => [name, name]))),
      field("Why (10 letters or more)", input("arm-reason", { maxlength: "300" })),
      ...(state.you.signs_in ? [field("Your password", input("arm-password", { type: "password", autocomplete: "current-password" }))] : []),
      button("Arm for 15 min", arm), button("Disarm", () => doing("disarm", { equipment: one("#arm-equipment").value }, "disarmed")()));
    const points = select("order-point", state.permits.map((row) => [row.point, `${row.equipment}  ${row.label} (${row.low}–${row.high} ${row.unit_label})`]));
    one("#command-order").replaceChildren(field("Point", points), field("New value", input("order-value", { inputmode: "decimal" })),
      field("For hours", input("order-hours", { inputmode: "decimal", value: "2" })),
      button("Look at it first…", () => window.plantviewDialog.stage()));
    one("#release-all-box").replaceChildren(button("Release everything that this program holds", doing("release_all", {}, "all releases are under way: machines first, then pumps and valves")));
    const all = [...new Set([...machines, ...Object.values(window.plantview.state.signals || {}).map((row) => row.equipment)])].filter((name) => name && name !== "PLANT").sort();
    one("#notice-box").replaceChildren(field("Equipment", select("notice-equipment", all.map((name) => [name, name]))), field("Work", input("notice-text", { maxlength: "300" })),
      field("Phone", input("notice-phone", { maxlength: "40" })), button("Put up a work notice", notice));
  };
  /* How long the server's shortest answer takes to get here: the better of two. */
  const answerMs = async () => {
    const took = [];
    for (let turn = 0; turn < 2; turn += 1) {
      const begin = performance.now();
      await fetch("/healthz", { cache: "no-store" });
      took.push(performance.now() - begin);
    }
    return Math.round(Math.min(...took));
  };
  const arm = async () => {
    const password = one("#arm-password");
    try {
      if (password) await post("/api/v1/session/confirm", { password: password.value });
      take(await act("arm", { equipment: one("#arm-equipment").value, reason: one("#arm-reason").value, link_ms: await answerMs() }));
      answer("armed: everybody sees it on every page");
    } catch (error) { answer(error.message); }
    if (password) password.value = "";
    look();
  };
  const notice = async () => {
    try {
      take(await act("notice", { equipment: one("#notice-equipment").value, text: one("#notice-text").value, phone: one("#notice-phone").value }));
      answer("the notice stands: it blocks commands of this program and isolates nothing");
    } catch (error) { answer(error.message); }
    look();
  };

  /* --- keeping up ------------------------------------------------------------------------------------- */
  const take = (found) => { if (found?.arms) state = { ...state, ...found }; paint(); };
  const paint = () => {
    if (!state) return;
    strip();
    readHeld();
    if (!one("#ours-rows")) return;
    if (!one("#arm-equipment") && state.permits?.length) built();
    const box = one("#commands-trouble");
    trouble = state.trouble || (state.you?.may ? "" : `${state.you?.name || "nobody"} may look, not command: technicians and leads do.`);
    say(box, trouble);
    box.hidden = !trouble;
    ours();
    waiting();
    notices();
  };
  const look = async () => {
    try {
      const found = await fetch("/api/v1/commands", { cache: "no-store" });
      if (found.ok) state = await found.json();
      paint();
    } catch { /* no link: the page itself says so */ }
    if (state && !state.enabled) { clearInterval(timer); setInterval(readHeld, HELD_MS); }
  };
  const heard = () => { if (state?.mine?.length) act("heard").then(take, () => {}); };

  window.plantviewCommands = { again, act, post, take, look, text, permit, left, button, field, input, state: () => state };
  if (location.pathname.startsWith("/past")) return; // nobody commands from the past, and the present is not shown there
  const timer = setInterval(look, LOOK_MS);
  setInterval(heard, HEARD_MS);
  onPage(look);
})();
