/* The alarm strip on pages other than the plant page, where live_headline.js fills it too; and the sound, if wanted. */
(() => {
  "use strict";
  if (location.pathname.startsWith("/past")) return; // alarms of the past neither stand in a strip nor sound

  const { one, make, kept, keep, onPaint, onPage } = window.plantviewPages;
  const SOUND = "plantview.alarms.sound", FLOOD = 10, FLOOD_MS = 600000, URGENT = 1;
  let heard = null, sound = null, floodUntil = 0;

  const wants = () => kept(SOUND, "") === "yes";
  const tone = (urgent) => {
    if (!sound) return;
    const begin = sound.currentTime;
    for (const [index, pitch] of (urgent ? [880, 660, 880] : [660, 520]).entries()) {
      const wave = sound.createOscillator(), loud = sound.createGain();
      wave.frequency.value = pitch;
      loud.gain.setValueAtTime(0.15, begin + index * 0.25);
      loud.gain.linearRampToValueAtTime(0, begin + index * 0.25 + 0.22);
      wave.connect(loud).connect(sound.destination);
      wave.start(begin + index * 0.25);
      wave.stop(begin + index * 0.25 + 0.23);
    }
  };

  /* Once per new alarm; in a flood once, and once more for each new urgent one. */
  const listen = (state) => {
    if (state.silent || !state.alarms?.active) return;
    const unseen = state.alarms.active.filter((row) => !row.acked);
    const now = new Set(unseen.map((row) => `${row.id}@${row.since_ms}`));
    const fresh = heard ? unseen.filter((row) => !heard.has(`${row.id}@${row.since_ms}`)) : [];
    heard = now;
    if (!fresh.length || !wants()) return;
    const urgent = fresh.some((row) => row.priority === URGENT);
    const flood = unseen.filter((row) => row.since_ms > state.now_ms - FLOOD_MS).length >= FLOOD;
    if (flood && state.now_ms < floodUntil && !urgent) return;
    floodUntil = flood ? state.now_ms + FLOOD_MS : 0;
    tone(urgent);
  };

  /* A browser lets a page sound only after somebody has touched it. */
  const awake = () => {
    if (wants() && !sound) sound = new AudioContext();
    sound?.resume?.();
  };
  const soundButton = () => {
    const button = make("button", { type: "button", id: "sound" });
    const show = () => {
      button.textContent = wants() ? "Sound on" : "Sound off";
      button.setAttribute("aria-pressed", String(wants()));
    };
    button.addEventListener("click", () => { keep(SOUND, wants() ? "" : "yes"); awake(); show(); if (wants()) tone(false); });
    show();
    return button;
  };

  onPage(() => {
    document.addEventListener("pointerdown", awake);
    document.addEventListener("keydown", awake);
    one("#alarm-tools")?.append(soundButton());
    if (one("#alarm-strip") || location.pathname === "/alarms") return;
    const strip = make("section", { id: "alarm-strip", "aria-label": "Active alarms" });
    strip.addEventListener("click", () => location.assign("/alarms"));
    one("#shell").append(strip);
    window.plantview.repaint();
  });
  onPaint((message, state) => listen(state));
})();
