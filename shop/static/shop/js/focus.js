// After a page is shown or refreshed in place: the focus goes to what needs an answer, so that nobody has to
// look for it. In this order: the first wrong field, a refusal, what the page marks, the page's heading.
"use strict";

(() => {
  const settle = (root, refreshed) => {
    const wrong = root.querySelector('[aria-invalid="true"]:not([type="hidden"])');
    const target =
      wrong ||
      root.querySelector("[data-refusal]") ||
      root.querySelector("[autofocus]") ||
      (refreshed ? root : null);
    if (!target) return;
    target.focus({ preventScroll: target === root });
    if (target === root) root.scrollIntoView({ block: "nearest" });
    if (wrong && wrong.select) wrong.select();
  };

  document.addEventListener("DOMContentLoaded", () => settle(document, false));
  document.addEventListener("htmx:afterSettle", (event) => {
    // Only when the whole page was refreshed: a verdict beside a field must not take the focus from it.
    if (event.target.id === "page") settle(event.target, true);
  });

  // A button that was pressed is not pressed twice while the answer is on its way; the server would refuse
  // the second one as well.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post" || event.defaultPrevented) return;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "yes";
  });
  // The browser may show this page again from its memory, with the form as it was sent.
  window.addEventListener("pageshow", () => {
    document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent);
  });
})();
