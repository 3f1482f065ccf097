/* The one setting on the help page: whether the key M, alone, puts a mark. Loaded on /help only. */
(() => {
  "use strict";
  const KEY = "plantview.keys", button = document.getElementById("single-keys");
  const on = () => { try { return localStorage.getItem(KEY) !== "off"; } catch { return true; } };
  const show = () => button.setAttribute("aria-pressed", String(on()));
  button.addEventListener("click", () => {
    try { localStorage.setItem(KEY, on() ? "off" : "on"); } catch { /* private window: it stays on */ }
    show();
  });
  show();
})();
