// One touch to tick all that is to be signed on this page; each can be unticked again.
"use strict";
(() => {
  const button = document.querySelector("[data-tick-all]");
  if (!button) return;
  button.hidden = false;
  button.addEventListener("click", () => {
    for (const box of document.querySelectorAll("[data-sign]")) box.checked = true;
  });
})();
