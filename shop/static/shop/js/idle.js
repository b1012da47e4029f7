// A page that nobody touches is locked by the server. This warns before it happens, keeps the log-in alive while
// somebody is keying, and shows the log-in when it is over. The time stands in the body's data-idle, in seconds.
"use strict";

(() => {
  const idle = Number(document.body.dataset.idle) * 1000;
  const warning = document.getElementById("idle");
  if (!idle || !warning) return;
  const warnFor = Math.min(60_000, idle / 2);
  const often = Math.min(60_000, idle / 4);
  const left = document.getElementById("idle-left");
  let asked = Date.now();
  let ended = false;

  // The server counts what it is asked; keys and taps alone it does not see.
  const stay = async () => {
    asked = Date.now();
    if (warning.open) warning.close();
    const answer = await fetch(warning.dataset.stay, { method: "HEAD", cache: "no-store" });
    if (answer.redirected) location.reload();
  };
  const touched = () => {
    if (!warning.open && Date.now() - asked > often) stay();
  };
  ["keydown", "pointerdown"].forEach((kind) => document.addEventListener(kind, touched));
  document.addEventListener("htmx:afterRequest", (event) => {
    if (!event.detail.requestConfig.headers["X-Unattended"]) asked = Date.now();
  });
  warning.querySelector("button").addEventListener("click", stay);

  setInterval(() => {
    const rest = idle - (Date.now() - asked);
    if (rest <= 0 && !ended) {
      ended = true;
      location.reload();
    } else if (rest <= warnFor && !warning.open) {
      warning.showModal();
    }
    left.textContent = String(Math.max(0, Math.ceil(rest / 1000)));
  }, 1000);
})();
