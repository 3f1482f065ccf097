/* The account page: sign out, change the password, and for who keeps accounts end sessions. */
(() => {
  "use strict";
  const one = (selector) => document.querySelector(selector);
  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";
  const post = async (path, body) => {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() }, body: JSON.stringify(body) });
    const told = await answer.json();
    if (!answer.ok) throw new Error(`${told.detail}: ${told.remedy}.`.replace(/^./, (first) => first.toUpperCase()));
    return told;
  };
  const out = async () => { await post("/api/v1/session/end", {}); location.replace("/sign-in"); };

  const change = async (event) => {
    event.preventDefault();
    const answer = one("#answer");
    try {
      await post("/api/v1/session/password", { old: one("#old").value, new: one("#new").value });
      answer.textContent = "Changed. Your sessions in other browsers have ended.";
      one("#old").value = one("#new").value = "";
    } catch (trouble) { answer.textContent = trouble.message; }
  };

  const row = (session) => {
    const line = document.createElement("tr");
    const since = new Intl.DateTimeFormat("en-GB", {
      timeZone: document.documentElement.dataset.zone, day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit", timeZoneName: "short",
    }).format(new Date(session.since));
    for (const text of [session.name, session.role, session.source, since]) line.insertCell().textContent = text;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "End";
    button.setAttribute("aria-label", `End the session of ${session.name} from ${session.source}`);
    button.addEventListener("click", async () => {
      try {
        await post("/api/v1/sessions/end", { session: session.session });
        one("#ended").textContent = `The session of ${session.name} has ended.`;
      } catch (trouble) { one("#ended").textContent = trouble.message; }
      list();
    });
    line.insertCell().append(button);
    return line;
  };
  const list = async () => {
    const answer = await fetch("/api/v1/sessions", { cache: "no-store" });
    if (!answer.ok) return location.replace("/sign-in?next=%2Faccount");
    one("#sessions tbody").replaceChildren(...(await answer.json()).map(row));
  };

  one("#sign-out").addEventListener("click", () => out().catch(() => location.replace("/sign-in")));
  one("#new-password").addEventListener("submit", change);
  if (one("#sessions")) list();
})();
