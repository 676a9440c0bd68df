// Forms that survive a bad network and a session that ended: what is typed stays until it is sent.
"use strict";
(() => {
  const words = document.body.dataset;

  const dialogOf = (content) => {
    const dialog = document.createElement("dialog");
    dialog.append(content);
    dialog.addEventListener("close", () => dialog.remove());
    dialog.addEventListener("click", (event) => {
      if (event.target.closest("[data-close]")) { event.preventDefault(); dialog.close(); }
    });
    document.body.append(dialog);
    dialog.showModal();
    (dialog.querySelector("input:not([type=hidden]), textarea, [data-close]") || dialog).focus();
    return dialog;
  };

  const note = (form, text) => {
    let line = form.querySelector("[data-note]");
    if (!line) {
      line = document.createElement("p");
      line.className = "problem";
      line.dataset.note = "";
      line.setAttribute("role", "alert");
      form.append(line);
    }
    line.textContent = text;
  };

  const markFaults = (form, page) => {
    for (const fault of page.querySelectorAll("[data-fault]")) {
      const name = fault.dataset.fault;
      const field = form.elements.namedItem(name) || form.elements.namedItem(`${name}.value`);
      if (field && field.setAttribute) field.setAttribute("aria-invalid", "true");
    }
  };

  // By the page that a form stands on: what was held while somebody logged in again is the same form.
  const key = (form) => {
    const page = form.elements.namedItem("_back")?.value || location.pathname;
    return `draft ${words.user || ""} ${page} ${form.getAttribute("action")}`;
  };
  const forget = (form) => { try { sessionStorage.removeItem(key(form)); } catch { /* no storage */ } };

  const send = async (form, submitter) => {
    const data = new FormData(form, submitter);
    const files = [...data.values()].some((value) => value instanceof File && value.size);
    const buttons = [...form.querySelectorAll("button")];
    buttons.forEach((button) => { button.disabled = true; });
    let answer;
    try {
      const action = submitter?.hasAttribute("formaction") ? submitter.formAction : form.action;
      answer = await fetch(action, {
        method: "POST", body: files ? data : new URLSearchParams([...data].filter(([, v]) => typeof v === "string")),
        headers: { Accept: "text/html", "X-Form": "fetch" },
      });
      if (answer.ok && answer.headers.get("X-Go-To")) {
        forget(form);
        location.assign(answer.headers.get("X-Go-To"));
        return;
      }
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const main = page.querySelector("main");
      const content = document.createElement("div");
      content.append(...(main ? main.childNodes : []));
      if (answer.ok) { form.closest("dialog")?.close(); forget(form); }
      else markFaults(form, content);
      dialogOf(content);
    } catch {
      note(form, words.noConnection);
    } finally {
      buttons.forEach((button) => { button.disabled = false; });
    }
  };

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post" || "plain" in form.dataset) return;
    event.preventDefault();
    send(form, event.submitter);
  });

  // Drafts: what was changed in a form with `data-keep` comes back after a reload, a new log-in, or
  // a dead battery. What was not is as the page shows it now.
  const fieldsOf = (form) => [...form.elements].filter(
    (field) => field.name && !field.name.startsWith("_") && !["password", "file", "hidden"].includes(field.type));
  const isTick = (field) => field.type === "radio" || field.type === "checkbox";
  const saidIn = (form) => new Map(fieldsOf(form).map(
    (field) => (isTick(field) ? [`${field.name} ${field.value}`, field.checked] : [field.name, field.value])));
  // A list may have other lines by now: what was said of one is not said of another.
  const linesOf = (form) => [...form.elements]
    .filter((field) => field.type === "hidden" && !field.name.startsWith("_")).map((field) => `${field.name}=${field.value}`).join();
  const restore = (form, kept) => {
    for (const field of fieldsOf(form)) {
      const said = kept.get(isTick(field) ? `${field.name} ${field.value}` : field.name);
      if (said === undefined) continue;
      if (isTick(field)) field.checked = said; else field.value = said;
    }
    form.dispatchEvent(new Event("restored"));
  };
  for (const form of document.querySelectorAll("form[data-keep]")) {
    const shown = saidIn(form);
    try {
      const [lines, kept] = JSON.parse(sessionStorage.getItem(key(form)) || "[]");
      if (kept && lines === linesOf(form)) restore(form, new Map(kept));
    } catch { /* no storage: the form works without */ }
    form.addEventListener("input", () => {
      const changed = [...saidIn(form)].filter(([name, said]) => shown.get(name) !== said);
      try { sessionStorage.setItem(key(form), JSON.stringify([linesOf(form), changed])); } catch { /* no storage */ }
    });
  }

  // Keypads: large digits beside a field. The field itself stays usable with a keyboard.
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".pad button");
    if (!button) return;
    event.preventDefault();
    const field = document.getElementById(button.closest(".pad").dataset.for);
    const press = button.dataset.press;
    if (press === "back") field.value = field.value.slice(0, -1);
    else if (press === "sign") field.value = field.value.startsWith("-") ? field.value.slice(1) : `-${field.value}`;
    else if (press !== "." || !field.value.includes(".")) field.value += press;
    field.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // On a phone the sections are wider than the screen: the one that is open is brought into sight.
  document.querySelector(".sections [aria-current]")?.scrollIntoView({ inline: "center", block: "nearest", behavior: "instant" });

  // Clocks: how long is left, as a shrinking bar with its words.
  const started = Date.now();
  const served = Date.parse(words.now);
  const now = () => served + (Date.now() - started);
  const span = (ms) => {
    const minutes = Math.floor(Math.abs(ms) / 60000);
    return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
  };
  const tick = () => {
    for (const clock of document.querySelectorAll(".clock[data-end]")) {
      const begin = Date.parse(clock.dataset.begin), end = Date.parse(clock.dataset.end);
      const left = end - now();
      clock.querySelector("progress").value = Math.max(0, Math.min(1, left / Math.max(1, end - begin)));
      clock.classList.toggle("over", left <= 0);
      clock.querySelector("[data-left]").textContent = (left > 0 ? words.left : words.over).replace("%", span(left));
    }
    for (const time of document.querySelectorAll("[data-clock]")) {
      const zoned = new Date(now()).toLocaleTimeString("en-GB", { timeZone: words.zone, hour: "2-digit", minute: "2-digit" });
      time.textContent = time.textContent.replace(/\d\d:\d\d$/, zoned);
    }
  };
  tick();
  setInterval(tick, 5000);
  document.addEventListener("fresh", tick);
})();
