/* The journal with its search and export. */
(() => {
  "use strict";

  const { one, make, say, moment, addressed, onPage } = window.plantviewPages;
  const { badge, recordLink, CHANGES, read } = window.plantviewAlarms;
  const PAGE = 100, TYPING_MS = 300, DAY_MS = 86400000;
  const SPANS = [["all times", 0], ["last 24 h", 1], ["last 7 days", 7], ["last 30 days", 30]];
  let last = 0, typing = 0, asked = 0;

  const asks = () => {
    const query = new URLSearchParams();
    const text = one("#journal-text").value.trim(), days = SPANS[Number(one("#journal-span").value)][1];
    if (text) query.set("search", text);
    if (days) query.set("from", String(Math.round(window.plantview.nowMs() - days * DAY_MS)));
    if (one("#journal-calls").checked) query.set("calls", "1");
    if (one("#journal-design").checked) query.set("by_design", "1");
    return query;
  };
  const line = (row, nowMs) => make("tr", {},
    make("td", {}, make("time", {}, moment(row.at_ms, nowMs))), make("td", {}, row.priority ? badge(row.priority) : ""),
    make("th", { scope: "row" }, row.equipment || ""), make("td", {}, CHANGES[row.kind] || row.kind), make("td", { class: "wide" }, row.text || ""),
    make("td", {}, row.person || ""), make("td", { class: "quiet" }, row.alarm && row.equipment ? recordLink({ id: row.alarm }, row.alarm) : row.alarm || ""));

  const nothing = () => asks().size ? "No line matches." : "Nothing has happened yet. Alarms that come and go, acknowledgements and shelves are written here.";
  const aimExport = (query) => { one("#journal-export").href = `/api/v1/alarms/journal?${query}${query.size ? "&" : ""}format=csv`; };

  const show = async (more) => {
    const query = asks(), body = one("#lines-rows"), turn = ++asked;
    aimExport(query);
    query.set("limit", String(PAGE));
    if (more && last) query.set("before", String(last));
    try {
      const rows = (await read(`/api/v1/alarms/journal?${query}`)).rows;
      if (turn !== asked) return;
      const nodes = rows.map((row) => line(row, window.plantview.nowMs()));
      if (more) body.append(...nodes);
      else body.replaceChildren(...nodes);
      body.dataset.search = query.get("search") || "";
      last = rows.at(-1)?.seq || 0;
      one("#journal-older").hidden = rows.length < PAGE;
      body.closest(".table-box").hidden = !body.childElementCount;
      say(one("#journal-answer"), body.childElementCount ? `${body.childElementCount} lines${rows.length < PAGE ? "" : ", older ones below"}` : nothing());
    } catch (error) {
      say(one("#journal-answer"), `The journal cannot be read now: ${error.message}`);
    }
  };

  onPage(() => {
    if (!one("#journal-tools")) return;
    const choice = (id, words) => make("label", { class: "choice" }, make("input", { id, type: "checkbox" }), ` ${words}`);
    const text = make("input", { id: "journal-text", type: "search", autocomplete: "off", placeholder: "text, equipment, person", "aria-label": "Part of the text" });
    addressed(text, "search");
    one("#journal-tools").append(text,
      make("select", { id: "journal-span", "aria-label": "Time" }, ...SPANS.map(([words], index) => make("option", { value: String(index) }, words))),
      choice("journal-calls", "only calls"), choice("journal-design", "with what the plant's state suppressed"),
      make("a", { id: "journal-export", class: "like-button", download: "" }, "Export as CSV"));
    one("#journal-more").append(make("button", { type: "button", id: "journal-older" }, "Older lines"));
    one("#journal-older").addEventListener("click", () => show(true));
    text.addEventListener("input", () => { aimExport(asks()); clearTimeout(typing); typing = setTimeout(() => show(false), TYPING_MS); });
    for (const id of ["#journal-span", "#journal-calls", "#journal-design"]) one(id).addEventListener("change", () => show(false));
    show(false);
  });
})();
