// The unit that stands in a field steps aside as soon as a figure is keyed with its own: "0.30 mm thou" is no length.
"use strict";

(() => {
  const names = (field) => field.toggleAttribute("data-own-unit", /\p{L}|["″”]/u.test(field.value));

  document.addEventListener("input", (event) => {
    if (event.target.closest(".with-unit")) names(event.target);
  });
  document.addEventListener("DOMContentLoaded", () => {
    document.querySelectorAll(".with-unit input").forEach(names);
  });
})();
