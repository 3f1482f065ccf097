/* Findings about the identity of sensors with what a person decides, and the offset table. */
(() => {
  "use strict";

  const { one, make, say, moment, countBeside, onPage, onPaint } = window.plantviewPages;
  const { read, post, person, initialsField } = window.plantviewAlarms;
  const REFRESH_MS = 20000, ANSWER = "#findings-answer";
  const KINDS = {
    swapped: "SWAPPED", unit: "UNIT", factor: "FACTOR", sign: "SIGN", gauge_absolute: "GAUGE OR ABSOLUTE",
    refrigerant: "REFRIGERANT", wrong_pipe: "WRONG PIPE", several: "SEVERAL",
  };
  const DECISIONS = { accept: "correction accepted", right: "it is right" };
  let seen = "";

  const system = () => window.plantview.state.units;
  const when = (ms) => (ms ? moment(ms, window.plantview.nowMs()) : "");
  const signed = (value, digits = 2) => (value === null || value === undefined ? "" : `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(digits)}`);

  /* Beside the link on every page: how many wait for somebody. */
  const paintCount = (state) => countBeside("/findings", state.silent ? 0 : state.health?.findings || 0, "open");

  /* Minus sign, not hyphen, so that digits line up. */
  const minus = (text) => text.replace(/^-/, "−");
  const cell = (text, kind = "td") => make(kind, kind === "th" ? { scope: "row" } : {}, text);
  const number = (text, unit) => (text ? `${minus(text)} ${unit}`.trim() : "no answer");

  const evidence = (proposal) => {
    const head = ["Balance", "As reported", "Corrected", "Should be", "Closes", "Moments"].map((text) => make("th", { scope: "col" }, text));
    const rows = proposal.evidence.map((each) => {
      const told = each.shown[system()], closes = !each.judged_after ? "cannot be judged without it" : each.closes ? "yes" : each.failed ? "NO" : "as before";
      return make("tr", each.failed ? { class: "broken" } : {}, make("th", { scope: "row", class: "wide" }, each.words),
        cell(`${each.failed ? "✗ " : ""}${number(told.before, told.unit)}`), cell(each.judged_after ? number(told.after, told.unit) : ""),
        cell(`${minus(told.low)} to ${minus(told.high)} ${told.unit}`.trim()), cell(closes), cell(String(each.rows)));
    });
    return make("div", { class: "table-box", tabindex: "0", role: "region", "aria-label": "Evidence" },
      make("table", {}, make("caption", {}, "Balances tried, with and without the correction"), make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows)));
  };

  const lines = (changes) => {
    if (!changes.length) return make("p", { class: "quiet" }, "There is no line in the point list for this: correct it where the remedy says.");
    return make("dl", { class: "lines" }, ...changes.flatMap((line) => [
      make("dt", {}, `${line.file}, line ${line.number}`),
      make("dd", {}, make("code", { class: "line" }, line.before), make("span", { class: "becomes" }, "becomes"), make("code", { class: "line" }, line.after)),
    ]));
  };

  const decide = async (id, decision, proposal, reason) => {
    const who = person(ANSWER);
    if (!who) return;
    try {
      await post("/api/v1/findings/decide", { finding: id, decision, proposal, reason, person: who });
      say(one(ANSWER), decision === "accept" ? `Accepted by ${who}: now change the lines shown, then run "plantview reload". Until then it stays unknown.` : `Noted as right by ${who}; its numbers are shown again.`);
      seen = "";
      await refresh();
    } catch (error) {
      say(one(ANSWER), `Not decided: ${error.message}`);
    }
  };

  const proposalOf = (row, place) => {
    const proposal = row.finding.proposals[place], accepted = row.decision?.proposal === place;
    const button = make("button", { type: "button" }, "Accept this correction");
    button.addEventListener("click", () => decide(row.finding.id, "accept", place, ""));
    const rest = [make("p", {}, `Remedy: ${proposal.remedy}.`), evidence(proposal), lines(row.changes[place]), ...(row.decision ? [] : [button])];
    const title = `${place ? `Or: ${proposal.words}` : proposal.words}${accepted ? " (accepted)" : ""}`;
    return make("details", { class: "proposal", ...(place === 0 ? { open: "" } : {}) }, make("summary", {}, title), ...rest);
  };

  const opened = (row) => {
    const { finding, decision } = row;
    const why = make("input", { type: "text", maxlength: "500", placeholder: "why it is right, at least 10 characters", "aria-label": "Reason why it is right" });
    const right = make("button", { type: "button" }, "It is right");
    right.addEventListener("click", () => decide(finding.id, "right", 0, why.value.trim()));
    const state = decision
      ? `Correction accepted by ${decision.person}, ${when(decision.at_ms)}: change the line, then run "plantview reload".`
      : "Nobody has decided yet.";
    return make("article", { class: "finding", "aria-label": finding.words },
      make("h3", {}, make("span", { class: "kind" }, KINDS[finding.proposals[0].kind] || finding.proposals[0].kind), ` ${finding.words}`),
      make("p", { class: "quiet" }, `Since ${when(row.since_ms)}. Withheld: ${finding.points.join(", ")}, and whatever is worked out from them. ${state}`),
      ...finding.proposals.map((_, place) => proposalOf(row, place)),
      make("div", { class: "acknowledge" }, why, right));
  };

  const nothing = (body, columns, text) => {
    if (!body.childElementCount) body.append(make("tr", {}, make("td", { colspan: String(columns), class: "quiet" }, text)));
  };

  const paintFindings = (told) => {
    say(one("#findings-caution"), told.caution);
    const { last } = told;
    say(one("#findings-last"), last.at_ms
      ? `${told.open.length || "No"} open. Last look ${when(last.at_ms)}: ${last.judged} of ${last.laws} balances could be judged, ${last.broken} are broken.`
      : "The first look follows within some minutes; machines must have run for a quarter of an hour.");
    say(one("#findings-trouble"), told.trouble);
    one("#findings-trouble").hidden = !told.trouble;
    // a form that somebody fills in is not torn away under their hands
    const now = JSON.stringify([told.open.map((row) => [row.finding.id, row.decision]), system()]);
    if (now !== seen) {
      one("#findings-open").replaceChildren(...told.open.map(opened));
      seen = now;
    }
    one("#decided-rows").replaceChildren(...told.decided.map((row) => make("tr", {}, cell(when(row.at_ms)), cell(row.words, "th"), cell(DECISIONS[row.decision]), cell(row.person), make("td", { class: "wide" }, row.reason))));
    nothing(one("#decided-rows"), 5, "None.");
    one("#ended-rows").replaceChildren(...told.past.map((row) => make("tr", {}, cell(when(row.since_ms)), cell(when(row.until_ms)), cell(row.words, "th"), make("td", { class: "wide" }, row.why))));
    nothing(one("#ended-rows"), 4, "None.");
  };

  const kelvin = (k) => (k === null || k === undefined ? "" : system() === "ip" ? `${signed(k * 1.8)} °F` : `${signed(k)} K`);
  const degrees = (c) => (c === null || c === undefined ? "" : system() === "ip" ? `${(c * 1.8 + 32).toFixed(1)} °F` : `${c.toFixed(2)} °C`);

  const paintOffsets = (told) => {
    const table = told.offsets;
    say(one("#offsets-caution"), table.caution);
    one("#offsets-rows").replaceChildren(...table.rows.map((row) => make("tr", {},
      make("th", { scope: "row", "data-offset": row.point }, row.point), cell(when(row.compared_ms) || "not yet"), cell(row.place), cell(kelvin(row.apart_k)),
      cell(degrees(row.thermometer?.thermometer_c)), cell(when(row.thermometer?.at_ms)), cell(row.thermometer?.person || ""), cell(kelvin(row.proposed_k)),
      cell(row.accepted ? `${signed(row.accepted)} ${row.unit === "degF" ? "°F" : "K"}` : "none"), cell(row.changes.length ? "see below" : ""))));
    const wanted = table.rows.filter((row) => row.changes.length && row.proposed !== row.accepted);
    one("#offset-lines").replaceChildren(...wanted.map((row) => make("section", { class: "finding" }, make("h4", {}, `${row.point}: ${kelvin(row.proposed_k)} by ${row.thermometer.person}'s thermometer`), lines(row.changes))));
    if (!wanted.length) one("#offset-lines").append(make("p", { class: "quiet" }, "None: type a thermometer reading first."));
    one("#thermometer-rows").replaceChildren(...table.thermometer.map((row) => make("tr", {},
      cell(when(row.at_ms)), cell(row.point, "th"), cell(degrees(row.thermometer_c)), cell(degrees(row.sensor_c)), cell(row.person), make("td", { class: "wide" }, row.note))));
    nothing(one("#thermometer-rows"), 6, "None yet.");
    const choice = one("#thermometer-point");
    if (choice && !choice.childElementCount) choice.append(...table.rows.map((row) => make("option", { value: row.point }, `${row.point} (${row.label})`)));
  };

  const keepReading = async () => {
    const who = person(ANSWER), value = Number(one("#thermometer-value").value.trim().replace(",", "."));
    if (!who) return;
    if (!one("#thermometer-value").value.trim() || !Number.isFinite(value)) {
      say(one(ANSWER), "Type what the thermometer shows, such as 44.6.");
      return;
    }
    const body = { point: one("#thermometer-point").value, value, unit: one("#thermometer-unit").value, note: one("#thermometer-note").value.trim(), person: who };
    try {
      const row = await post("/api/v1/findings/thermometer", body);
      say(one(ANSWER), `Kept: thermometer ${degrees(row.thermometer_c)}, ${row.point} ${degrees(row.sensor_c)}.`);
      one("#thermometer-value").value = "";
      await refresh();
    } catch (error) {
      say(one(ANSWER), `Not kept: ${error.message}`);
    }
  };

  const thermometerForm = () => {
    const units = [["degF", "°F"], ["degC", "°C"]].map(([value, text]) => make("option", { value, ...(value === (system() === "ip" ? "degF" : "degC") ? { selected: "" } : {}) }, text));
    const button = make("button", { type: "button" }, "Keep reading");
    button.addEventListener("click", keepReading);
    one("#thermometer-box").append(
      make("select", { id: "thermometer-point", "aria-label": "Sensor" }),
      make("input", { id: "thermometer-value", type: "text", inputmode: "decimal", size: "7", maxlength: "10", placeholder: "reads", "aria-label": "Thermometer reads" }),
      make("select", { id: "thermometer-unit", "aria-label": "Unit" }, ...units),
      make("input", { id: "thermometer-note", type: "text", maxlength: "200", placeholder: "which thermometer, where", "aria-label": "Note" }), button);
  };

  let refresh = async () => {};
  onPage(() => {
    const findings = one("#findings-open"), offsets = one("#offsets-rows");
    if (!findings && !offsets) return;
    one('.pages a[data-page="/findings"]')?.setAttribute("aria-current", "true");
    one("#findings-initials").append(initialsField());
    if (offsets) {
      thermometerForm();
      one("#offsets-print").addEventListener("click", () => window.print());
    }
    refresh = async () => {
      try {
        const told = await read("/api/v1/findings");
        if (findings) paintFindings(told); else paintOffsets(told);
      } catch (error) {
        say(one(ANSWER), `The findings cannot be read now: ${error.message}`);
      }
    };
    refresh();
    setInterval(() => { if (!document.hidden) refresh(); }, REFRESH_MS);
  });
  onPaint((message, state) => {
    paintCount(state);
    if (message.kind === "units") { seen = ""; refresh(); }
  });
})();
