/* Takes over the theme that was chosen on the pages, before anything is drawn. */
(() => {
  "use strict";
  try { document.documentElement.dataset.theme = localStorage.getItem("plantview.theme") || "auto"; } catch { /* private window: as the computer says */ }
})();
