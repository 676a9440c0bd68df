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

  const key = (form) => `draft ${words.user || ""} ${location.pathname} ${form.getAttribute("action")}`;
  const forget = (form) => { try { sessionStorage.removeItem(key(form)); } catch { /* no storage */ } };

  const send = async (form, submitter) => {
    const data = new FormData(form, submitter);
    const files = [...data.values()].some((value) => value instanceof File && value.size);
    const buttons = [...form.querySelectorAll("button")];
    buttons.forEach((button) => { button.disabled = true; });
    let answer;
    try {
      answer = await fetch(form.action, {
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

  // Drafts: a form with `data-keep` comes back after a reload or a new log-in, as long as the window stays open.
  const fieldsOf = (form) => [...form.elements].filter(
    (field) => field.name && !field.name.startsWith("_") && !["password", "file", "hidden"].includes(field.type));
  for (const form of document.querySelectorAll("form[data-keep]")) {
    try {
      const kept = JSON.parse(sessionStorage.getItem(key(form)) || "[]");
      for (const [name, value] of kept) {
        for (const field of fieldsOf(form).filter((one) => one.name === name)) {
          if (field.type === "radio" || field.type === "checkbox") field.checked = field.value === value || field.checked;
          else field.value = value;
        }
      }
      if (kept.length) form.dispatchEvent(new Event("restored"));
      form.addEventListener("input", () => {
        const now = fieldsOf(form)
          .filter((field) => !["radio", "checkbox"].includes(field.type) || field.checked)
          .map((field) => [field.name, field.value]);
        sessionStorage.setItem(key(form), JSON.stringify(now));
      });
    } catch { /* no storage: the form works without */ }
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
