// A page that follows what happens: told by the service when something has changed, it fetches
// itself again and takes over the parts that are live. Says when it cannot hear the service.
"use strict";
(() => {
  const part = document.querySelector("main [data-live]"); // the words of the body are called so too
  if (!part) return;
  const status = document.querySelector("[data-live-status]");
  const words = document.body.dataset;
  let heardAt = new Date();
  const say = (heard) => {
    if (heard) heardAt = new Date();
    if (!status) return;
    const at = heardAt.toLocaleTimeString("en-GB", { timeZone: words.zone, hour: "2-digit", minute: "2-digit" });
    status.textContent = (heard ? words.live : words.notLive).replace("%", at);
    status.classList.toggle("problem", !heard);
  };
  const refresh = async () => {
    try {
      const address = new URL(location.href);
      address.searchParams.set("live", "1");
      const answer = await fetch(address, { headers: { Accept: "text/html" } });
      if (answer.status === 401) { location.reload(); return; }
      if (!answer.ok) throw new Error(String(answer.status));
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      document.querySelectorAll("[data-live-part]").forEach((old) => {
        const fresh = page.getElementById(old.id);
        if (fresh && !old.contains(document.activeElement)) old.replaceWith(fresh);
      });
      document.dispatchEvent(new Event("fresh"));
      say(true);
    } catch { say(false); }
  };
  const source = new EventSource(part.dataset.live);
  source.addEventListener("changed", refresh);
  source.addEventListener("alive", () => say(true));
  source.onopen = () => say(true);
  source.onerror = () => say(false);
  addEventListener("offline", () => say(false)); // a stream that is open may not notice for long
  addEventListener("online", refresh);
  // Even if no event comes: clocks and lists are read again each minute.
  setInterval(refresh, 60000);
})();
