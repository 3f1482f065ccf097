/* On the pages without forms: who has armed what, and what this program holds. Asked for only where something may be written. */
(() => {
  "use strict";

  const LOOK_MS = 10000;
  const box = document.querySelector("#armed");
  const left = (seconds) => `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")} left`;
  const words = (state) => {
    const held = state.overrides.filter((row) => row.open);
    return [
      ...state.arms.map((row) => `${row.equipment} armed by ${row.person}, ${left(row.left_s)}`),
      ...(held.length ? [`held by us: ${held.map((row) => row.point).join(", ")}`] : []),
      ...(state.notices.length ? [`work notice: ${state.notices.map((row) => row.equipment).join(", ")}`] : []),
    ].join("  ·  ");
  };
  const look = async () => {
    let found;
    try { found = await fetch("/api/v1/commands", { cache: "no-store" }); } catch { return; /* no link: the page itself says so */ }
    if (found.status === 401 || found.status === 403) { clearInterval(timer); return; } // a wall that nobody signed in at
    if (!found.ok) return;
    const said = words(await found.json());
    box.hidden = !said;
    if (box.textContent !== said) box.textContent = said;
  };
  const timer = setInterval(look, LOOK_MS);
  look();
})();
