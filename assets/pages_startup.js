/* What the start-up pages share, and the marker: a button on every page, and the key M. */
(() => {
  "use strict";

  const { one, all, make, say, kept, keep, KEPT, onPage } = window.plantviewPages;
  const { post, person } = window.plantviewAlarms;

  const seconds = (value, digits = 1) => (value === null || value === undefined ? "" : `${value.toFixed(digits).replace("-", "−")} s`);
  const span = (s) => {
    if (s === null || s === undefined) return "";
    const whole = Math.max(0, Math.round(s));
    return whole < 120 ? `${whole} s` : `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  };
  const tenths = (ms) => `${window.plantviewPages.hhmmss(ms)}.${Math.floor((((ms % 1000) + 1000) % 1000) / 100)}`;
  const big = (text, press, attributes = {}) => {
    const button = make("button", { type: "button", class: "big-button", ...attributes }, text);
    button.addEventListener("click", press);
    return button;
  };
  const trouble = (error) => `${error.message}`;

  /* Initials are asked once and kept in this browser; whoever signed in needs none. */
  const initials = () => {
    const known = window.plantviewSession?.who?.();
    if (known?.accounts) return known.name;
    return kept(KEPT.initials, "");
  };
  const initialsBox = () => {
    const known = window.plantviewSession?.who?.();
    if (known?.accounts) return make("span", { class: "summary" }, `Signed in as ${known.name}`);
    const input = make("input", { class: "startup-initials", maxlength: "20", autocomplete: "nickname", value: kept(KEPT.initials, ""), "aria-label": "Your initials", placeholder: "initials" });
    input.addEventListener("change", () => keep(KEPT.initials, input.value.trim()));
    return make("label", { class: "startup-field" }, "Your initials ", input);
  };

  /* --- an event in words ---------------------------------------------------------------------------------- */
  const CHANGE = { ANN: "came", REALARM: "came again", RTN: "back to normal", ACK: "acknowledged", EVENT: "event", RESET: "reset", SHELVE: "shelved", UNSHELVE: "shelf ended", OOS: "out of service", INSERV: "back in service", CLOCK: "clock stepped", FOUND: "found so at its device", CLOSED: "rule removed" };
  const what = (row) => {
    if (row.kind === "alarm") return `${row.text}: ${CHANGE[row.after] || row.after}${row.person ? ` (${row.person})` : ""}`;
    if (row.kind === "marker") return `${row.text} (${row.person})`;
    if (row.kind === "device") return `${row.text}: ${row.after}`;
    if (!row.after) return `${row.text}${row.person ? ` (${row.person})` : ""}`;
    return `${row.text || row.point}: ${row.before} → ${row.after}`;
  };
  /* A scan says "not later than now": the change may be earlier by the time since the scan before. */
  const unsure = (row) => (row.late_ms ? `± ${seconds(row.early_ms / 1000)}, ${row.source}` : row.early_ms ? `−${seconds(row.early_ms / 1000)}, ${row.source}` : row.source);
  const delta = (ms) => (ms === undefined || ms === null ? "" : `${ms < 0 ? "−" : "+"}${Math.abs(ms) < 120000 ? seconds(Math.abs(ms) / 1000) : span(Math.abs(ms) / 1000)}`);

  /* --- marker --------------------------------------------------------------------------------------------- */
  let dialog = null;
  const openMarker = () => {
    if (dialog?.open || location.pathname.startsWith("/past")) return;
    const text = make("input", { id: "mark-text", maxlength: "200", autocomplete: "off", placeholder: "what happened, or leave empty" });
    const who = make("input", { id: "mark-who", maxlength: "20", autocomplete: "nickname", value: initials() });
    who.disabled = Boolean(window.plantviewSession?.who?.()?.accounts);
    const answer = make("p", { role: "alert", class: "summary" });
    const form = make("form", { method: "dialog" },
      make("h2", {}, "Put a mark at this moment"),
      make("label", { class: "startup-field" }, "Text", text), make("label", { class: "startup-field" }, "Your initials", who), answer,
      make("div", { class: "command-row ends" }, big("Leave it", () => dialog.close()), make("button", { type: "submit", class: "big-button sure" }, "Mark")));
    dialog = make("dialog", { class: "command-dialog", "aria-label": "Put a mark" }, form);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!who.value.trim()) { say(answer, "Enter your initials: a mark says who put it."); who.focus(); return; }
      if (!who.disabled) keep(KEPT.initials, who.value.trim());
      try {
        await post("/api/v1/startup/mark", { text: text.value, person: who.value.trim() });
        dialog.close();
        toast(`Marked: ${text.value.trim() || "mark"}`);
        document.dispatchEvent(new Event("plantview-marked"));
      } catch (error) { say(answer, trouble(error)); }
    });
    dialog.addEventListener("close", () => { dialog.remove(); dialog = null; });
    document.body.append(dialog);
    dialog.showModal();
    text.focus();
  };
  const toast = (words) => {
    const node = make("p", { class: "mark-toast", role: "status" }, words);
    document.body.append(node);
    setTimeout(() => node.remove(), 4000);
  };
  const typing = (node) => node?.isContentEditable || ["INPUT", "SELECT", "TEXTAREA"].includes(node?.tagName);
  document.addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "m" || event.ctrlKey || event.altKey || event.metaKey || event.repeat || kept("plantview.keys", "") === "off" || typing(event.target) || one("dialog[open]")) return;
    event.preventDefault();
    openMarker();
  });

  const markPages = () => {
    for (const link of all(".startup-pages a")) if (link.dataset.page === location.pathname) link.setAttribute("aria-current", "page");
    if (location.pathname.startsWith("/startup/")) one('.pages a[data-page="/startup"]')?.setAttribute("aria-current", "true");
  };

  window.plantviewStartup = { words: { what, unsure, delta }, seconds, span, tenths, big, trouble, initials, initialsBox, person };
  onPage(() => {
    markPages();
    if (location.pathname.startsWith("/past")) return;
    const button = make("button", { type: "button", id: "mark", title: "Put a mark at this moment (key M)", "aria-keyshortcuts": "m" }, "Mark");
    button.addEventListener("click", openMarker);
    one(".switches")?.prepend(button);
  });
})();
