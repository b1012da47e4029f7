// Keying in with one hand: Enter goes to the next valve's field of the same kind, as the arrow keys do; on the
// last one Enter presses the sheet's button. Fields say their kind in data-walk.
"use strict";

(() => {
  const neighbour = (field, step) => {
    const kind = field.dataset.walk;
    const fields = [...field.form.elements].filter((other) => other.dataset.walk === kind && !other.disabled && other.offsetParent);
    return fields[fields.indexOf(field) + step];
  };

  document.addEventListener("keydown", (event) => {
    const field = event.target;
    if (!field.dataset || !field.dataset.walk || event.altKey || event.ctrlKey || event.metaKey) return;
    const step = { Enter: event.shiftKey ? -1 : 1, ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    const next = neighbour(field, step);
    if (next) {
      event.preventDefault();
      next.focus();
      next.select();
    } else if (event.key === "Enter" && step === 1) {
      event.preventDefault();
      const button = field.form.querySelector("button[data-walk-end]");
      if (button) button.focus();
    }
  });
})();
