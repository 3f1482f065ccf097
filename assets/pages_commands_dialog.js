/* The two steps of a command: everything to be seen first, then one confirmation. Cancel has the focus. */
(() => {
  "use strict";

  const { one, make, say } = window.plantviewPages;
  const { again, act, take, look, text, button, field, input, left, state } = window.plantviewCommands;
  const NOT_LOCKOUT = "Not lockout: lock and tag at the disconnect before work. Local codes, the machine's manual and licensed practice come first.";

  const answer = (words) => say(one("#commands-answer"), words);
  const row = (name, words, strong = false) => [make("dt", {}, name), make("dd", strong ? { class: "strong" } : {}, words)];

  /* Show a dialog. Confirm stays shut until `wait` seconds have passed, the name is typed and `agreed` says yes; and after `goodFor` seconds. */
  const show = (title, body, confirm, sure, { typed = "", wait = 1, goodFor = 0, agreed = () => "" } = {}) => {
    const box = make("dialog", { class: "command-dialog", "aria-labelledby": "dialog-title" });
    const close = () => { box.close(); box.remove(); };
    const began = performance.now();
    const go = button(confirm, async () => { sent = go.disabled = true; await sure(name?.value || "", close); }, { class: "command-button sure" });
    const cancel = button("Cancel", close);
    const name = typed ? input("dialog-typed", { placeholder: typed, spellcheck: "false" }) : null;
    const clock = make("p", { class: "summary", id: "dialog-clock" });
    let sent = false;
    const judge = () => {
      const passed = (performance.now() - began) / 1000, over = goodFor && passed >= goodFor, lacks = agreed();
      go.disabled = sent || over || lacks !== "" || passed < wait + .1 || (typed !== "" && name.value.trim() !== typed);
      say(clock, over ? "This look is too old: cancel, and look again." : [lacks, goodFor ? `Good for another ${Math.ceil(goodFor - passed)} s.` : ""].filter(Boolean).join(" "));
    };
    name?.addEventListener("input", judge);
    const timer = setInterval(judge, 500);
    go.disabled = true;
    const note = make("p", { class: "summary", id: "dialog-answer", role: "alert" });
    box.append(make("h2", { id: "dialog-title" }, title), make("p", { class: "not-lockout" }, NOT_LOCKOUT), body,
      ...(name ? [field(`Type ${typed} to confirm`, name)] : []), clock, note, make("div", { class: "command-row ends" }, cancel, go));
    box.addEventListener("close", () => { clearInterval(timer); box.remove(); });
    document.body.append(box);
    box.showModal();
    cancel.focus({ preventScroll: true });
    box.scrollTop = 0;  // opening has scrolled to the first field: everything is to be seen from its top
    return { say: (words) => say(note, words) };
  };

  const seen = (found) => {
    const value = (number) => (number === null || number === undefined ? "?" : found.states[String(number)] || `${Math.round(number * 1000) / 1000} ${found.unit_label}`);
    const slots = found.slots.map((slot) => `${slot.priority}: ${value(slot.value)}${slot.winner ? " (wins)" : ""}, ${slot.ours ? "ours" : slot.by}${slot.since ? `, ${slot.since}` : ""}`);
    const limits = [`${found.range.map(value).join(" to ")}`, found.most_step === null ? "" : `a step of ${value(found.most_step)} at most`,
      found.most_change === null ? "" : `${value(found.most_change)} within 10 min`, `${found.commanded} of ${found.per_hour} commands this hour`];
    const conditions = found.conditions.map((one) => `${one.holds ? "✓" : "✗"} ${one.text} (${one.readings.map((reading) => `${reading.signal} ${reading.value ?? "?"}`).join(", ")})`);
    const list = make("dl", { class: "seen" },
      ...row("Point", `${found.equipment}  ${found.label}`), ...row("Device", `${found.device}; ${found.address}`),
      ...row("Now", `${value(found.now)}, ${Math.round(found.age_s)} s old, ${found.quality}${found.reason ? `: ${found.reason}` : ""}`),
      ...row("New value", `${value(found.value)}${found.raw ? `  (${found.raw})` : ""}`, true),
      ...row("Allowed", limits.filter(Boolean).join("; ")),
      ...row("Priorities", found.sticky ? "none: the value stays until the former one is written back" : slots.join("; ") || `none held; ${value(found.relinquish_default)} without them`),
      ...row("Written at", found.sticky ? "the register itself" : `priority ${found.priority}`),
      ...row("Afterwards", found.sticky ? `${value(found.restore)} is written back` : "the priority is released"),
      ...row("Ends", `by itself in ${left(found.seconds)}`), ...row("Conditions", conditions.join("; ") || "none are listed"), ...row("If this computer stops", found.dies));
    return make("div", {}, list, ...found.warnings.map((words) => make("p", { class: "flood" }, words)));
  };

  const stage = async () => {
    const point = one("#order-point").value, row = window.plantviewCommands.permit(point);
    const typed = one("#order-value").value.replace(",", ".").trim();
    const value = typed === "" ? NaN : Number(typed), hours = Number(one("#order-hours").value.replace(",", "."));
    if (!Number.isFinite(value) || !(hours > 0)) return answer("a number is needed, and for how many hours");
    answer("reading the device …");
    let found;
    try { found = await act("stage", { point, value, unit: row.unit, seconds: hours * 3600 }); } catch (error) { return answer(error.message); }
    answer("");
    const shown = show("Look at everything, then confirm", seen(found), `Write ${text(point, found.value)} to ${found.equipment}`, async (name, close) => {
      try {
        const done = await act("commit", { token: found.token, point: found.point, value: found.value, priority: found.priority, typed: name });
        close();
        again();
        answer(done.result === "UNKNOWN" ? "sent, and no answer came: do not write again, the next reading decides" : `sent: ${done.detail || "being read back"}`);
      } catch (error) { shown.say(error.message); }
      look();
    }, { typed: found.typed ? found.equipment : "", wait: found.wait_s, goodFor: found.good_for_s, agreed: found.two_people ? () => agreement(found.number) : undefined });
  };

  /* What is still lacking of a second person; empty once one agreed. The state is asked for more often while it lacks. */
  let asked = 0;
  const agreement = (number) => {
    if (state()?.waiting?.some((row) => row.number === number && row.approved_by)) return "";
    if (performance.now() - asked > 1000) { asked = performance.now(); look(); }
    return "A second person must agree, on the page Overrides of their own browser.";
  };

  const approve = async (row) => {
    let found;
    try { found = await act("approve_look", { number: row.number }); } catch (error) { return answer(error.message); }
    const body = make("div", {}, make("p", {}, `${found.person} wants this${found.why ? `: ${found.why}` : ""}.`), seen(found));
    const shown = show("A second person agrees", body, `Agree to ${text(row.point, found.value)} for ${found.equipment}`, async (_name, close) => {
      try { take(await act("approve", { number: row.number })); close(); answer(`agreed: ${found.person} may confirm now`); } catch (error) { shown.say(error.message); }
      look();
    }, { goodFor: row.left_s });
  };

  const release = async (row) => {
    let found;
    try { found = await act("release_look", { id: row.id }); } catch (error) { return answer(error.message); }
    const body = make("dl", { class: "seen" }, ...[["Point", row.point], ["Now", text(row.point, found.now)], ["Takes over", found.takes_over === null ? "unknown" : text(row.point, found.takes_over)]]
      .flatMap(([name, words]) => [make("dt", {}, name), make("dd", {}, words)]));
    const more = found.work_notice ? make("p", { class: "flood" }, `${found.work_notice.person} works on ${found.work_notice.equipment}: ${found.work_notice.text}. A release that could start it waits.`) : "";
    show(`Release ${row.point}: look at what takes over`, make("div", {}, body, more), "Release", async (_name, close) => {
      try { again(); take(await act("release", { id: row.id })); answer("release under way; it counts once a reading proves it"); } catch (error) { answer(error.message); }
      close();
      look();
    });
  };

  const notice = (row) => {
    const reason = input("notice-reason", { maxlength: "300" });
    const body = make("div", {}, make("p", {}, "Confirm that all persons are clear of the machine. This notice proves nothing."),
      field(row.person === state()?.you?.name ? "Remark" : `Why the notice of ${row.person} is removed`, reason));
    const shown = show(`Remove the work notice on ${row.equipment}`, body, "Remove", async (_name, close) => {
      try { take(await act("notice_remove", { equipment: row.equipment, reason: reason.value })); close(); } catch (error) { shown.say(error.message); }
      look();
    });
  };

  window.plantviewDialog = { stage, approve, release, notice };
})();
