/* Shelving asks for a reason and an end; the list and the record ask the same way. */
(() => {
  "use strict";

  const { one, make, say } = window.plantviewPages;
  const ACT = "/api/v1/alarms/act";
  const SHELVES = [["1 hour", 3600], ["4 hours", 14400], ["8 hours", 28800], ["until it returns to normal", null]];
  let asked = null;

  const build = () => {
    const form = make("form", { method: "dialog" },
      make("h2", {}, "Shelve an alarm"), make("p", { id: "shelf-about" }),
      make("label", { for: "shelf-reason" }, "Reason"), make("input", { id: "shelf-reason", maxlength: "500", autocomplete: "off" }),
      make("label", { for: "shelf-end" }, "For"), make("select", { id: "shelf-end" }, ...SHELVES.map(([text], index) => make("option", { value: String(index) }, text))),
      make("p", { class: "quiet" }, "It calls again when the time is over and it is still active."),
      make("p", { id: "shelf-answer", role: "status" }),
      make("div", { class: "acts" }, make("button", { type: "button", id: "shelf-do" }, "Shelve"), make("button", { type: "button", id: "shelf-leave" }, "Leave it")));
    const dialog = make("dialog", { id: "shelf", "aria-label": "Shelve an alarm" }, form);
    one("#page").append(dialog);
    one("#shelf-leave").addEventListener("click", () => dialog.close());
    one("#shelf-do").addEventListener("click", shelve);
    form.addEventListener("submit", (event) => { event.preventDefault(); shelve(); });
  };

  /* row: the alarm; person: who shelves it; done: told in words once it is shelved. */
  const ask = (row, person, reason, done) => {
    if (!one("#shelf")) build();
    asked = { row, person, done };
    say(one("#shelf-about"), `${row.equipment}: ${row.text || row.id}`);
    say(one("#shelf-answer"), "");
    one("#shelf-reason").value = reason;
    [...one("#shelf-end").options].forEach((option, index) => {
      const seconds = SHELVES[index][1];
      option.disabled = seconds === null ? !row.active : seconds > row.shelve_max_s;
    });
    one("#shelf").showModal();
    one("#shelf-reason").focus();
  };

  const shelve = async () => {
    const reason = one("#shelf-reason").value.trim(), [words, seconds] = SHELVES[Number(one("#shelf-end").value)];
    if (!reason) { say(one("#shelf-answer"), "Give a reason: whoever comes after you has to know."); one("#shelf-reason").focus(); return; }
    try {
      await window.plantviewAlarms.post(ACT, { act: "shelve", about: [asked.row.id], person: asked.person, text: reason, seconds });
      one("#shelf").close();
      asked.done(`Shelved ${seconds === null ? words : `for ${words}`} by ${asked.person}.`);
    } catch (error) {
      say(one("#shelf-answer"), `Not shelved: ${error.message}`);
    }
  };

  window.plantviewShelf = { ask };
})();
