/* The sign-in page: asks, says why not, goes on where the person wanted to go. */
(() => {
  "use strict";
  const next = document.body.dataset.next || "/";
  const answer = document.querySelector("#answer"), form = document.querySelector("#sign-in");
  const token = () => document.cookie.split("; ").find((item) => item.startsWith("_csrf_token="))?.slice("_csrf_token=".length) || "";

  const ask = async (event) => {
    event.preventDefault();
    const button = form.querySelector("button");
    button.disabled = true;
    answer.textContent = "";
    try {
      const told = await fetch("/api/v1/session/begin", {
        method: "POST", headers: { "Content-Type": "application/json", "X-CSRFToken": token() },
        body: JSON.stringify({ name: form.elements.name.value, password: form.elements.password.value }),
      });
      if (told.ok) return location.replace(next);
      const problem = await told.json();
      answer.textContent = `${problem.detail}: ${problem.remedy}.`.replace(/^./, (first) => first.toUpperCase());
      form.elements.password.select();
    } catch {
      answer.textContent = "The server does not answer. Try again in a moment.";
    }
    button.disabled = false;
  };

  /* The cookie does not come along with a link from another place, but with what this page asks itself:
     whoever is signed in would be led on from here. */
  const already = async () => {
    try {
      const answer = await fetch("/sign-in", { cache: "no-store", redirect: "manual" });
      if (answer.type === "opaqueredirect") location.replace(next);
    } catch { /* the form stays */ }
  };
  if (form) {
    form.addEventListener("submit", ask);
    already();
  }
})();
