/* Takes over the theme that was chosen on the pages before anything is drawn, and changes it where there is a button. */
(() => {
  "use strict";
  const KEY = "plantview.theme", THEMES = ["auto", "light", "dark"];
  const kept = () => { try { return localStorage.getItem(KEY) || "auto"; } catch { return "auto"; /* private window: as the computer says */ } };
  const show = (theme) => {
    document.documentElement.dataset.theme = theme;
    const button = document.getElementById("theme");
    if (!button) return;
    button.textContent = theme[0].toUpperCase() + theme.slice(1);
    button.setAttribute("aria-label", `Theme ${theme}. Change`);
  };
  const next = () => {
    const theme = THEMES[(THEMES.indexOf(document.documentElement.dataset.theme) + 1) % THEMES.length];
    try { localStorage.setItem(KEY, theme); } catch { /* lasts as long as the page */ }
    show(theme);
  };
  show(kept());
  document.addEventListener("DOMContentLoaded", () => {
    show(kept());
    document.getElementById("theme")?.addEventListener("click", next);
  });
})();
