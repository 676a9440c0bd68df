// A photo is sent as soon as it is taken; what a scanner types ends in the field for it, also
// when somebody has touched the page elsewhere before.
"use strict";
(() => {
  for (const field of document.querySelectorAll("[data-send]")) {
    field.addEventListener("change", () => { if (field.files.length) field.form.requestSubmit(); });
  }
  const scan = document.querySelector("[data-scan]");
  document.addEventListener("keydown", (event) => {
    const free = document.activeElement === document.body || document.activeElement?.id === "main";
    if (scan && free && event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) scan.focus();
  });
})();
