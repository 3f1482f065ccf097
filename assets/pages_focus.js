/* Lists are written anew when something in them changes. Whoever stands in one with the keyboard stays where they were:
   the focus goes to the element that took the place of the one that went, also when a dialog over the list is closed. */
(() => {
  "use strict";
  const OVER = "dialog, #detail", OPEN = "dialog[open], #detail:not([hidden])";
  let held = null, over = false;

  /* What an element is about, where it says so; else what it is called. Words may hold a number that changes meanwhile. */
  const name = (node) => {
    const { filled: _, ...about } = node.dataset;
    const what = Object.keys(about).length ? JSON.stringify(about) : node.getAttribute("aria-label") || node.textContent;
    return [node.tagName, node.id, node.getAttribute("href"), what].join("|");
  };
  const lost = () => document.activeElement === document.body;

  document.addEventListener("focusin", (event) => {
    const node = event.target;
    over = Boolean(node.closest(OVER));
    if (!over) held = node.closest("#page") ? { node, name: name(node), box: node.closest("tbody, section, #page") } : null;
  });

  const follow = () => {
    const { node, box, name: wanted } = held;
    const next = box.isConnected && [...box.querySelectorAll(node.tagName)].find((each) => name(each) === wanted);
    held = next ? { ...held, node: next } : null;
    return next;
  };

  const stay = () => {
    if (!held) return;
    const went = !held.node.isConnected;
    if (went && !follow()) return;
    if (!lost() || (over ? document.querySelector(OPEN) : !went)) return;
    over = false;
    held.node.focus({ preventScroll: true });
  };
  document.addEventListener("close", stay, true);
  new MutationObserver(stay).observe(document.documentElement, { childList: true, subtree: true });
})();
