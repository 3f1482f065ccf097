/* Who is signed in: shows the name, tells the server that somebody is still here, and leads to the sign-in when
   the session has ended. Does nothing but look once a minute while accounts are off. Stands alone: /m loads it too. */
(() => {
  "use strict";
  const LOOK_MS = 60000, HERE_MS = 60000;
  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";
  const post = (path) => fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() }, body: "{}" });
  const leave = () => location.assign(`/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`);
  let told = 0, known = null;

  const show = () => {
    const place = document.getElementById("who");
    if (!place || !known?.accounts || place.dataset.name === known.name) return;
    const link = Object.assign(document.createElement("a"), { href: "/account", textContent: known.name, title: `Signed in as ${known.role}` });
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Sign out" });
    button.addEventListener("click", () => post("/api/v1/session/end").then(leave, leave));
    place.dataset.name = known.name;
    place.replaceChildren(link, button);
  };

  const look = async () => {
    try {
      const answer = await fetch("/api/v1/session", { cache: "no-store" });
      if (answer.status === 401) return leave();
      if (answer.ok) known = await answer.json();
      show();
    } catch { /* no link: the page itself says so */ }
  };

  const here = () => {
    if (!known?.accounts || performance.now() - told < HERE_MS) return;
    told = performance.now();
    post("/api/v1/session/here").then((answer) => { if (answer.status === 401) leave(); }, () => {});
  };

  for (const kind of ["pointerdown", "keydown", "wheel"]) addEventListener(kind, here, { passive: true });
  addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  window.plantviewSession = { look, who: () => known };
  setInterval(look, LOOK_MS);
  if (document.readyState === "complete") look(); else addEventListener("load", look);
  // the page around #who is written by a script of its own, at a moment of its own
  const waiting = new MutationObserver(() => { if (document.getElementById("who")) { waiting.disconnect(); show(); } });
  waiting.observe(document.documentElement, { childList: true, subtree: true });
})();
